"""The one way in which a letter is cut out of a page, for training and for inference alike.

A crop shows the letter with a body of `CROP_BODY_PX`, its ruled line at `RULED_LINE_ROW`, with its
neighbours, in plane 0 (grey); the letter's own box is plane 1, since crowded letters overlap.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.infer.image.upright import SKIN_GREY

if TYPE_CHECKING:
    from crownlet.infer.records import Located

CROP_HEIGHT_PX, CROP_WIDTH_PX = 128, 96

CROP_BODY_PX = 48.0

RULED_LINE_ROW = 50.0
"""Row of the ruled line: 3.1 q above it (lamed's head), 4.9 q below it (long finals)."""

SIDE_MARGIN_PX = 10.0
"""Room kept on either side of a letter too wide for the crop; such letters are narrowed to fit."""

FILL_GREY = int(SKIN_GREY)
"""Grey beyond the edge of the page: that of its skin."""


def crop_matrix(
    body: tuple[float, float, float, float], box: tuple[float, float, float, float]
) -> npt.NDArray[np.float64]:
    """Affine matrix (2, 3) that takes image px to crop px.

    `body` is (centre x, y of the ruled line, body height, clockwise rotation in degrees) and `box`
    (x0, y0, x1, y1), both in image px.
    """
    x, y, height, angle = body
    scale = CROP_BODY_PX / max(height, 1.0)
    lying = round(angle / 90) % 2 == 1
    near, far, middle = (box[1], box[3], y) if lying else (box[0], box[2], x)
    wide = 2 * max(abs(near - middle), abs(far - middle))
    scale_x = min(scale, (CROP_WIDTH_PX - 2 * SIDE_MARGIN_PX) / max(wide, 1.0))
    c, s = np.cos(np.deg2rad(angle)), np.sin(np.deg2rad(angle))
    turn = np.array([[scale_x * c, scale_x * s], [-scale * s, scale * c]])
    shift = np.array([CROP_WIDTH_PX / 2, RULED_LINE_ROW]) - turn @ np.array([x, y])
    return np.concatenate([turn, shift[:, None]], axis=1)


def crop_letter(
    page: npt.NDArray[np.uint8],
    body: tuple[float, float, float, float],
    box: tuple[float, float, float, float],
    out: npt.NDArray[np.uint8] | None = None,
) -> npt.NDArray[np.uint8]:
    """Cut one letter out of a flattened grey page as (2, 128, 96) uint8: picture and box.

    The page should have bodies of at most twice `CROP_BODY_PX` (`fit_page`), or thin strokes alias.
    """
    matrix = crop_matrix(body, box)
    crop = np.empty((2, CROP_HEIGHT_PX, CROP_WIDTH_PX), np.uint8) if out is None else out
    crop[0] = cv2.warpAffine(
        page, matrix, (CROP_WIDTH_PX, CROP_HEIGHT_PX), flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT, borderValue=FILL_GREY,
    )  # fmt: skip
    corners = np.array([[box[0], box[1]], [box[2], box[1]], [box[2], box[3]], [box[0], box[3]]])
    placed = corners @ matrix[:, :2].T + matrix[:, 2]
    x0, y0 = np.clip(np.floor(placed.min(axis=0)), 0, (CROP_WIDTH_PX, CROP_HEIGHT_PX)).astype(int)
    x1, y1 = np.clip(np.ceil(placed.max(axis=0)), 0, (CROP_WIDTH_PX, CROP_HEIGHT_PX)).astype(int)
    crop[1] = 0
    crop[1, y0:y1, x0:x1] = 255
    return crop


class FittedPage(NamedTuple):
    """A flattened page (H, W) with bodies of about `CROP_BODY_PX`, and the scale applied."""

    page: npt.NDArray[np.uint8]
    scale: float


def fit_to_letters(flat: npt.NDArray[np.uint8], found: Located) -> FittedPage:
    """A page fitted to the median height of the letters found on it."""
    return fit_page(flat, float(np.median(found.height)))


def fit_page(page: npt.NDArray[np.uint8], body: float) -> FittedPage:
    """Shrink a page by area averaging until bodies of `body` px are about `CROP_BODY_PX`.

    Pages with smaller letters stay as they are (scale 1): the crop itself enlarges them.
    """
    scale = CROP_BODY_PX / body
    if scale >= 0.9:
        return FittedPage(page, 1.0)
    size = (max(1, round(page.shape[1] * scale)), max(1, round(page.shape[0] * scale)))
    small = cv2.resize(page, size, interpolation=cv2.INTER_AREA)
    return FittedPage(np.asarray(small, np.uint8), scale)

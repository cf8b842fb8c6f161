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
from crownlet.infer.limits import limits_of

if TYPE_CHECKING:
    from crownlet.infer.records import Located

CROP_HEIGHT_PX, CROP_WIDTH_PX = 128, 96

CROP_BODY_PX = 48.0

RULED_LINE_ROW = 50.0
"""Row of the ruled line: 3.1 q above it (lamed's head), 4.9 q below it (long finals)."""

MAX_FITTED_SCALE = 0.9
"""A page that would be shrunk by less stays as it is."""

SIDE_MARGIN_PX = 10.0
"""Room kept on either side of a letter too wide for the crop; such letters are narrowed to fit."""

FILL_GREY = int(SKIN_GREY)
"""Grey beyond the edge of the page: that of its skin."""

INK_CELL_PX = limits_of("image.crops").whole("ink_cell_px")
"""Side of the cells of a crop over which ink is averaged: a sixth of a body."""

LETTERS_PER_CUT = 64
"""Crops held at once where only their ink is asked for."""

Floats = npt.NDArray[np.float64]

Grey = npt.NDArray[np.uint8]


def crop_matrices(bodies: Floats, boxes: Floats) -> Floats:
    """(N, 2, 3) affine matrices that take image px to crop px, for N letters.

    `bodies` (N, 4) are centre x, y of the ruled line, body height, clockwise rotation in degrees,
    and `boxes` (N, 4) are x0, y0, x1, y1, both in image px.
    """
    x, y, height, angle = bodies.T
    scale = CROP_BODY_PX / np.maximum(height, 1.0)
    lying = np.round(angle / 90) % 2 == 1
    near, far = (np.where(lying, boxes[:, k + 1], boxes[:, k]) for k in (0, 2))
    middle = np.where(lying, y, x)
    wide = 2 * np.maximum(np.abs(near - middle), np.abs(far - middle))
    across = np.minimum(scale, (CROP_WIDTH_PX - 2 * SIDE_MARGIN_PX) / np.maximum(wide, 1.0))
    c, s = np.cos(np.deg2rad(angle)), np.sin(np.deg2rad(angle))
    right, down = (across * c, across * s), (-scale * s, scale * c)
    return np.stack(
        [
            *right, CROP_WIDTH_PX / 2 - (right[0] * x + right[1] * y),
            *down, RULED_LINE_ROW - (down[0] * x + down[1] * y),
        ],
        axis=1,
    ).reshape(-1, 2, 3)  # fmt: skip


def crop_matrix(
    body: tuple[float, float, float, float], box: tuple[float, float, float, float]
) -> Floats:
    """The matrix (2, 3) of one letter."""
    return np.asarray(crop_matrices(np.array([body]), np.array([box]))[0])


def boxes_in_crops(boxes: Floats, matrices: Floats) -> npt.NDArray[np.int64]:
    """(N, 4) x0, y0, x1, y1 of the letters' boxes in their crops; empty where nothing shows."""
    placed = transform_boxes(boxes, matrices)
    size = (CROP_WIDTH_PX, CROP_HEIGHT_PX)
    first = np.clip(np.floor(placed[:, :2]), 0, size)
    last = np.clip(np.ceil(placed[:, 2:]), 0, size)
    return np.concatenate([first, last], axis=1).astype(np.int64)


def transform_points(points: Floats, matrices: Floats) -> Floats:
    """(N, n, 2) places of points by N matrices (N, 2, 3)."""
    placed: Floats = points @ matrices[:, :, :2].transpose(0, 2, 1) + matrices[:, None, :, 2]
    return placed


def transform_boxes(boxes: Floats, matrices: Floats) -> Floats:
    """(N, 4) boxes around where N matrices (N, 2, 3) take the corners of boxes (N, 4)."""
    corners = transform_points(boxes[:, [[0, 1], [2, 1], [2, 3], [0, 3]]], matrices)
    return np.concatenate([corners.min(axis=1), corners.max(axis=1)], axis=1)


def cut_picture(page: Grey, matrix: Floats, out: Grey) -> None:
    """Cut one letter's picture out of a flattened grey page into `out` (H, W), by its matrix."""
    cv2.warpAffine(
        page, matrix, (out.shape[1], out.shape[0]), dst=out, flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT, borderValue=FILL_GREY,
    )  # fmt: skip


def cut_letters(page: Grey, bodies: Floats, boxes: Floats) -> Grey:
    """N letters cut out of a flattened grey page as (N, 2, 128, 96) uint8: picture and box.

    `bodies` and `boxes` as in `crop_matrices`. The page should have bodies of at most twice
    `CROP_BODY_PX` (`fit_page`), or thin strokes alias.
    """
    matrices = crop_matrices(bodies, boxes)
    return cut_by_matrices(page, matrices, boxes_in_crops(boxes, matrices))


def cut_by_matrices(page: Grey, matrices: Floats, places: npt.NDArray[np.int64]) -> Grey:
    """As `cut_letters`, of letters whose `crop_matrices` and `boxes_in_crops` are known."""
    cut = np.zeros((len(matrices), 2, CROP_HEIGHT_PX, CROP_WIDTH_PX), np.uint8)
    for crop, matrix, (x0, y0, x1, y1) in zip(cut, matrices, places.tolist(), strict=True):
        cut_picture(page, matrix, crop[0])
        crop[1, y0:y1, x0:x1] = 255
    return cut


def crop_letter(
    page: Grey,
    body: tuple[float, float, float, float],
    box: tuple[float, float, float, float],
) -> Grey:
    """One letter of `cut_letters`, (2, 128, 96)."""
    return np.asarray(cut_letters(page, np.array([body]), np.array([box]))[0], np.uint8)


def coarse_ink(crops: Grey) -> Grey:
    """(N, 192) darkness within each letter's box, averaged over cells of its crop (16 x 12), of
    crops (N, 2, 128, 96)."""
    # One below the other: no cell holds pixels of two crops.
    picture, own = (crops[:, plane].reshape(-1, CROP_WIDTH_PX) for plane in (0, 1))
    dark = cv2.bitwise_and(cv2.bitwise_not(picture), own)
    size = (CROP_WIDTH_PX // INK_CELL_PX, len(dark) // INK_CELL_PX)
    cells = cv2.resize(dark, size, interpolation=cv2.INTER_AREA)
    return np.asarray(cells, np.uint8).reshape(len(crops), -1)


def ink_of_letters(page: Grey, placed: Located) -> Grey:
    """`coarse_ink` of the letters of a fitted page, `placed` in px of it."""
    starts = range(0, len(placed), LETTERS_PER_CUT)
    rows = [slice(start, start + LETTERS_PER_CUT) for start in starts]
    return np.concatenate(
        [coarse_ink(cut_letters(page, placed.body[some], placed.box[some])) for some in rows]
    )


class FittedPage(NamedTuple):
    """A flattened page (H, W) with bodies of about `CROP_BODY_PX`, and the scale applied."""

    page: Grey
    scale: float


def fit_to_letters(flat: Grey, found: Located, before: FittedPage | None = None) -> FittedPage:
    """A page fitted to the median height of the letters found on it.

    `before` is the page as fitted to other letters, returned where the scale is the same.
    """
    body = float(np.median(found.height))
    if before is not None and before.scale == fit_scale(body):
        return before
    return fit_page(flat, body)


def fit_scale(body: float) -> float:
    """The scale at which `fit_page` shows bodies of `body` px."""
    scale = CROP_BODY_PX / body
    return 1.0 if scale >= MAX_FITTED_SCALE else scale


def fit_page(page: Grey, body: float) -> FittedPage:
    """Shrink a page by area averaging until bodies of `body` px are about `CROP_BODY_PX`.

    Pages with smaller letters stay as they are (scale 1): the crop itself enlarges them.
    """
    scale = fit_scale(body)
    if scale == 1.0:
        return FittedPage(page, 1.0)
    size = (max(1, round(page.shape[1] * scale)), max(1, round(page.shape[0] * scale)))
    small = cv2.resize(page, size, interpolation=cv2.INTER_AREA)
    return FittedPage(np.asarray(small, np.uint8), scale)

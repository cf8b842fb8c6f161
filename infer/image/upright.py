"""A page made even and upright: dark ink on a ground of one grey, and quarter turns undone.

Even light is used in the same form by training and inference, so that the networks meet one kind of
picture. A page on its side is turned upright; its letters are turned back to the picture as given.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from crownlet.datasets.files.images import Gray
from crownlet.infer.records import Floats, Located

SKIN_GREY = 224.0
"""Grey value to which the bare skin is brought."""

INK_GREY = 32.0
"""Grey value to which the darkest ink is brought."""

_UNDO_TURN = {90: cv2.ROTATE_90_COUNTERCLOCKWISE, 180: cv2.ROTATE_180, 270: cv2.ROTATE_90_CLOCKWISE}


def flatten(gray: Gray, body: float | None = None) -> Gray:
    """Divide out the ground and stretch the ink, so that skin is near 224 and ink near 32.

    `gray` is (H, W) uint8, `body` the body height of its letters in px if known: the ground is
    taken as the local upper grey level over about two bodies, wider than any stroke.
    """
    height, width = gray.shape
    reach = 2.0 * (body if body else max(32.0, min(height, width) / 12))
    step = max(1.0, reach / 16)
    size = (max(2, round(width / step)), max(2, round(height / step)))
    small = cv2.resize(gray, size, interpolation=cv2.INTER_AREA)
    ground = cv2.morphologyEx(
        cv2.medianBlur(small, 3),
        cv2.MORPH_CLOSE,
        cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (17, 17)),
        borderType=cv2.BORDER_REPLICATE,
    )
    ground = cv2.GaussianBlur(ground, (0, 0), 6.0, borderType=cv2.BORDER_REPLICATE)
    ground = cv2.resize(ground, (width, height), interpolation=cv2.INTER_LINEAR)
    # In place from here on: a page may have hundreds of megabytes.
    np.maximum(ground, 8, out=ground)
    ratio = cv2.divide(gray, ground, dst=ground, scale=SKIN_GREY)
    # The darkest half percent may be speckle or frame; the dark mode of the ink lies above it.
    dark = float(np.percentile(ratio[:: max(1, height // 512), :: max(1, width // 512)], 2.0))
    if dark < SKIN_GREY - 24:
        gain = (SKIN_GREY - INK_GREY) / (SKIN_GREY - dark)
        lut = np.clip(SKIN_GREY - (SKIN_GREY - np.arange(256)) * gain, 0, 255).astype(np.uint8)
        ratio = cv2.LUT(ratio, lut, dst=ratio)
    return np.asarray(ratio, np.uint8)


def turn_upright(image: Gray, turn: int) -> Gray:
    """Undo a clockwise turn of 0, 90, 180 or 270 degrees."""
    return image if turn == 0 else np.asarray(cv2.rotate(image, _UNDO_TURN[turn]), np.uint8)


def rotate_points_back(points: Floats, turn: int, size: tuple[int, int]) -> Floats:
    """Points (N, 2) of the upright page on the picture as given, `size` its (width, height)."""
    x, y = points.T
    width, height = size
    if turn == 90:
        return np.stack([width - y, x], axis=1)
    if turn == 180:
        return np.stack([width - x, height - y], axis=1)
    if turn == 270:
        return np.stack([y, height - x], axis=1)
    return points


def rotate_letters_back(found: Located, turn: int, size: tuple[int, int]) -> Located:
    """Letters of the upright page on the picture as given, `size` its (width, height).

    Boxes end where the picture does.
    """
    if turn == 0:
        return replace(found, box=np.clip(found.box, 0.0, np.tile(size, 2)))
    corners = np.stack(
        [
            rotate_points_back(found.box[:, :2], turn, size),
            rotate_points_back(found.box[:, 2:], turn, size),
        ]
    )
    body = found.body.copy()
    body[:, :2] = rotate_points_back(found.centre, turn, size)
    body[:, 3] = (body[:, 3] + turn) % 360
    box = np.concatenate([corners.min(axis=0), corners.max(axis=0)], axis=1)
    return Located(body, np.clip(box, 0.0, np.tile(size, 2)), found.score, found.letters)

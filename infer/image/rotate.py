"""Quarter turns: a page on its side is turned upright, its letters are turned back."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.infer.records import Floats, Located

_UNDO_TURN = {90: cv2.ROTATE_90_COUNTERCLOCKWISE, 180: cv2.ROTATE_180, 270: cv2.ROTATE_90_CLOCKWISE}


def turn_upright(image: npt.NDArray[np.uint8], turn: int) -> npt.NDArray[np.uint8]:
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

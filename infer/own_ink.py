"""What in the window between two neighbours is their ink: no other line's, no pores, no dust."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.infer.records import Located

INK = 128
"""Grey below which a pixel of the flattened page is ink; pale ink has a level of its own."""
PALE = 60
"""Ink whose darkest tenth is paler than this is held against its skin, half way between the two."""
SPECK = 0.15
"""Area in square q below which a dark spot between two letters is none of their ink."""


def own_ink(
    window: npt.NDArray[np.uint8],
    frame: tuple[int, int, int, int],
    placed: Located,
    right: int,
    left: int,
) -> npt.NDArray[np.uint8]:
    """The window of two neighbours without letters of other lines that reach between them.

    Lamed's head and the legs of finals stand in the zone of their neighbours' bodies; a reader does
    not take them for its ink. `frame` is the window's x0, y0, x1, y1 on the page.
    """
    x0, y0, x1, y1 = frame
    box = placed.box
    near = (box[:, 0] < x1) & (box[:, 2] > x0) & (box[:, 1] < y1) & (box[:, 3] > y0)
    away = np.abs(placed.body[:, 1] - placed.body[right, 1]) > 0.6 * placed.body[right, 2]
    others = np.flatnonzero(near & away)
    if not len(others):
        return window
    foreign = np.zeros(window.shape, np.bool_)
    cleared = window.copy()
    for i, value in [(int(i), True) for i in others] + [(right, False), (left, False)]:
        a, b = np.clip(np.round(box[i, [0, 2]]).astype(int) - x0 + (-1, 1), 0, window.shape[1])
        c, d = np.clip(np.round(box[i, [1, 3]]).astype(int) - y0 + (-1, 1), 0, window.shape[0])
        foreign[c:d, a:b] = value
    cleared[foreign] = 255
    return cleared


def without_specks(window: npt.NDArray[np.uint8], level: float, q: float) -> npt.NDArray[np.uint8]:
    """The window without dark spots too small for a stroke: pores of the skin, dust."""
    dark = (window < level).astype(np.uint8)
    spots = cv2.connectedComponents(dark)[1]
    small = np.bincount(spots.ravel()) < SPECK * q**2
    return np.where(small[spots], 255, window) if len(small) > 1 and small.any() else window


def ink_level(window: npt.NDArray[np.uint8]) -> float:
    """Grey below which a pixel of these letters is ink: where ink is pale, half way to its skin."""
    greys = np.sort(window, axis=None, kind="stable")  # By counting: six times as quick.
    dark, skin = (_quantile(greys, share) for share in (0.1, 0.9)) if len(greys) else (0.0, 0.0)
    return max(INK, (dark + skin) / 2) if dark > PALE else INK


def _quantile(ordered: npt.NDArray[np.uint8], share: float) -> float:
    """`np.quantile` of greys in order, to the last bit."""
    k, far = divmod((len(ordered) - 1) * share, 1.0)
    low, high = float(ordered[int(k)]), float(ordered[min(int(k) + 1, len(ordered) - 1)])
    return low + (high - low) * far if far < 0.5 else high - (high - low) * (1 - far)

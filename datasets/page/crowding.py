"""Keeps letters of different lines apart: lamed's head and the legs of finals give way."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.letterforms.glyph import BODY_HEIGHT, DefectMark, Outline
from crownlet.datasets.page.layout import Placed
from crownlet.datasets.page.silhouette import CELLS, TOP, silhouette

_SHORTER = (0.8, 0.65, 0.5)
_DISC = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
_PAD = 3


class Ground:
    """Which letter inks each cell of the page; cells are 1/16 q."""

    def __init__(self, letters: list[Placed]) -> None:
        self.letters = letters
        left = min(p.x + p.outline.x0 for p in letters)
        right = max(p.x + p.outline.x0 + p.outline.cells.shape[1] / CELLS for p in letters)
        top = min(p.y for p in letters) + TOP
        rows = letters[0].outline.cells.shape[0]
        height = (max(p.y for p in letters) - min(p.y for p in letters)) * CELLS + rows
        self.origin = (left - 1.0, top - 1.0)
        shape = (int(height) + 2 * CELLS + 2, int((right - left + 2.0) * CELLS) + 2)
        self.owner: npt.NDArray[np.int32] = np.full(shape, -1, np.int32)

    def place(self, i: int) -> None:
        """Ink the cells of letter `i`."""
        region, cells = self._region(i)
        region[cells > 0] = i

    def lift(self, i: int) -> None:
        """Take letter `i` away."""
        region, _ = self._region(i)
        region[region == i] = -1

    def met(self, i: int) -> list[int]:
        """Letters within about 1/8 q of letter `i` that are not meant to touch it."""
        region, cells = self._region(i, _PAD)
        near = cv2.dilate(np.pad(cells, _PAD), _DISC)
        found = region[(near > 0) & (region >= 0)]
        if found.size == 0:
            return []
        return [int(j) for j in np.unique(found) if j != i and not self._meant(i, int(j))]

    def _meant(self, i: int, j: int) -> bool:
        a, b = self.letters[i], self.letters[j]
        touch = any(mark.name == "letters_touch" for mark in a.gap_marks + b.gap_marks)
        return abs(i - j) == 1 and a.slot.line == b.slot.line and touch

    def _region(self, i: int, pad: int = 0) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.uint8]]:
        letter = self.letters[i]
        cells = letter.outline.cells
        column = round((letter.x + letter.outline.x0 - self.origin[0]) * CELLS) - pad
        row = round((letter.y + TOP - self.origin[1]) * CELLS) - pad
        height, width = cells.shape
        return self.owner[row : row + height + 2 * pad, column : column + width + 2 * pad], cells


def keep_apart(letters: list[Placed]) -> list[Placed]:
    """Shorten what rises or falls into another line; what still meets is marked as touching."""
    if not letters:
        return []
    ground = Ground(list(letters))
    for i in range(len(letters)):
        met = ground.met(i)
        if met:
            met = _give_way(ground, i, met)
        for j in met:
            _mark_touching(ground, i, j)
        ground.place(i)
    return ground.letters


def _give_way(ground: Ground, i: int, met: list[int]) -> list[int]:
    """Shorten letter `i` upwards, then those it meets downwards; the letters met even so."""
    tall = ground.letters[i]
    for share in _SHORTER:
        ground.letters[i] = _shortened(tall, share, 1.0)
        met = ground.met(i)
        if not met:
            return []
    ground.letters[i] = tall
    for j in ground.met(i):
        long = ground.letters[j]
        for share in _SHORTER:
            ground.lift(j)
            ground.letters[j] = _shortened(long, 1.0, share)
            ground.place(j)
            if j not in ground.met(i):
                break
    return ground.met(i)


def _shortened(letter: Placed, above: float, below: float) -> Placed:
    def press(outline: Outline) -> Outline:
        pressed = outline.copy()
        y = pressed[:, 1]
        pressed[:, 1] = np.where(
            y < 0, y * above, np.where(y > BODY_HEIGHT, BODY_HEIGHT + (y - BODY_HEIGHT) * below, y)
        )
        return pressed

    glyph = letter.glyph.mapped(press)
    return replace(letter, glyph=glyph, outline=silhouette(glyph))


def _mark_touching(ground: Ground, i: int, j: int) -> None:
    for k in (i, j):
        letter = ground.letters[k]
        mark = DefectMark("letters_touch", 0.0, 0.5)
        ground.letters[k] = replace(letter, marks=(*letter.marks, mark))

"""Keeps letters of different lines apart: lamed's head and the legs of finals give way."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.letterforms.glyph import BODY_HEIGHT, DefectMark, Outline
from crownlet.datasets.page.layout import Placed
from crownlet.datasets.page.silhouette import CELLS, TOP, silhouette

_WAYS = (
    (0.8, 0.0, 1.0), (0.65, 0.0, 1.0), (1.0, 0.0, 0.7), (0.7, 0.0, 0.7), (0.5, 0.0, 0.5),
    (0.7, 0.25, 0.7), (0.7, -0.25, 0.7), (0.5, 0.4, 0.5), (0.5, -0.4, 0.5), (0.4, 0.0, 0.3),
)  # fmt: skip
"""How letters yield: (rise above the line, bend of it, fall of the other below), mildest first."""
_DISC = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
_PAD = 3
_ROOM = 4.0
"""White in q around the page's letters: those that give way may move or lean out."""


class Ground:
    """Which letter inks each cell of the page; cells are 1/16 q."""

    def __init__(self, letters: list[Placed]) -> None:
        self.letters = letters
        left = min(p.x + p.outline.x0 for p in letters)
        right = max(p.x + p.outline.x0 + p.outline.cells.shape[1] / CELLS for p in letters)
        top = min(p.y for p in letters) + TOP
        rows = letters[0].outline.cells.shape[0]
        height = (max(p.y for p in letters) - min(p.y for p in letters)) * CELLS + rows
        self.origin = (left - _ROOM, top - _ROOM)
        shape = (int(height + 2 * _ROOM * CELLS) + 2, int((right - left + 2 * _ROOM) * CELLS) + 2)
        self.owner: npt.NDArray[np.int32] = np.full(shape, -1, np.int32)

    def place(self, i: int) -> None:
        """Ink the cells of letter `i`."""
        region, cells = self._region(i)
        region[cells > 0] = i

    def lift(self, i: int) -> None:
        """Take letter `i` away."""
        region, _ = self._region(i)
        region[region == i] = -1

    def met(self, i: int, beside: bool = False) -> list[int]:
        """Letters within about 1/8 q of letter `i`; its neighbours only if `beside`.

        Neighbours were set at their due distance, or to touch on purpose, when the line was set.
        """
        region, cells = self._region(i, _PAD)
        near = cv2.dilate(np.pad(cells, _PAD), _DISC)
        found = region[(near > 0) & (region >= 0)]
        if found.size == 0:
            return []
        others = [int(j) for j in np.unique(found) if j != i]
        return [j for j in others if beside or not self._neighbours(i, j)]

    def _neighbours(self, i: int, j: int) -> bool:
        return abs(i - j) == 1 and self.letters[i].slot.line == self.letters[j].slot.line

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
        bent = i > 0 and ground.letters[i - 1].glyph is not letters[i - 1].glyph
        met = ground.met(i, beside=bent and not _meant_to_touch(letters[i]))
        if met:
            met = _give_way(ground, i, met)
        for j in met:
            _mark_touching(ground, i, j)
        ground.place(i)
    return ground.letters


def _give_way(ground: Ground, i: int, met: list[int]) -> list[int]:
    """Shorten or bend letter `i` above, shorten those it meets below; who is met even so."""
    tall, longs = ground.letters[i], {j: ground.letters[j] for j in met}
    for above, lean, below in _WAYS:
        ground.letters[i] = _yielding(tall, above, lean, 1.0)
        for j, long in longs.items():
            ground.lift(j)
            ground.letters[j] = _yielding(long, 1.0, 0.0, below)
            ground.place(j)
        if not ground.met(i, beside=lean != 0.0):
            return []
    return ground.met(i)


def _yielding(letter: Placed, above: float, lean: float, below: float) -> Placed:
    """The letter with what rises above the line pressed to `above` and bent by `lean`, and what
    falls below the body pressed to `below`."""
    if (above, lean, below) == (1.0, 0.0, 1.0):
        return letter

    def press(outline: Outline) -> Outline:
        x, y = outline.T
        up, down = np.minimum(y, 0.0), np.maximum(y - BODY_HEIGHT, 0.0)
        body = np.clip(y, 0.0, BODY_HEIGHT)
        return np.stack([x - lean * up, body + above * up + below * down], axis=1)

    glyph = letter.glyph.mapped(press)
    return replace(letter, glyph=glyph, outline=silhouette(glyph))


def _meant_to_touch(letter: Placed) -> bool:
    return any(mark.name == "letters_touch" for mark in letter.gap_marks)


def _mark_touching(ground: Ground, i: int, j: int) -> None:
    for k in (i, j):
        letter = ground.letters[k]
        mark = DefectMark("letters_touch", 0.0, 0.5)
        ground.letters[k] = replace(letter, marks=(*letter.marks, mark))

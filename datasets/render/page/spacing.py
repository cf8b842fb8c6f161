"""Lines brought to one width, and letters of different lines kept apart.

Letters that may stretch are stretched, full lines are narrowed; where lines meet, lamed's head and
the legs of finals yield.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.coco.truth import DefectMark, Outline
from crownlet.datasets.render.letterforms.glyph import BODY_HEIGHT_Q, copy_with
from crownlet.datasets.render.letterforms.hand import Hand
from crownlet.datasets.render.page.layout import (
    CELLS_PER_Q,
    SILHOUETTE_ROWS,
    TOP_Q,
    PlacedLetter,
    SpacingHabits,
    line_width,
    set_line,
    silhouette,
)
from crownlet.datasets.render.page.scribe import Crowning, write_letter

MAX_STRETCH_Q = 16.0
"""Longest stretch of one letter in q: letters about six times as wide as they are high occur."""

STRETCHED_LETTERS = "דהלרת"
"""Letters that scribes stretch; bet, kaf and final mem stay as they are in nearly all writing."""

MIN_WIDTH_SHARE = 0.78
"""Narrowest a letter is pressed at the end of a full line."""


_YIELD_STEPS = (
    (0.8, 0.0, 1.0), (0.65, 0.0, 1.0), (1.0, 0.0, 0.7), (0.7, 0.0, 0.7), (0.5, 0.0, 0.5),
    (0.7, 0.25, 0.7), (0.7, -0.25, 0.7), (0.5, 0.4, 0.5), (0.5, -0.4, 0.5), (0.4, 0.0, 0.3),
)  # fmt: skip
"""How letters yield: (rise above the line, bend of it, fall of the other below), mildest first."""

_CONTACT_KERNEL = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))

_PADDING_CELLS = 3

_MARGIN_Q = 4.0
"""Margin in q around the page's letters: those that yield may move or lean out."""


def justify_line(
    letters: list[PlacedLetter],
    width: float,
    hand: Hand,
    crowning: Crowning,
    habits: SpacingHabits,
    rng: np.random.Generator,
) -> list[PlacedLetter]:
    """Set a line to `width` q: narrow its gaps, or stretch letters, those at its end first."""
    seed = int(rng.integers(1 << 62))
    placed = set_line(letters, habits, seed)
    over = line_width(placed) - width
    if over > 0:
        return _narrow_line(letters, placed, width, habits, seed)
    able = _stretchable_letters(letters, rng)
    if not able or over > -0.3:
        return placed
    chosen = _share_slack(able, -over, hand, rng)
    letters = list(letters)
    for i, extra in chosen.items():
        old = letters[i]
        glyph = write_letter(old.slot, hand, crowning, old.seed, extra)
        letters[i] = copy_with(old, glyph=glyph, outline=silhouette(glyph))
    return set_line(letters, habits, seed)


def _stretchable_letters(letters: list[PlacedLetter], rng: np.random.Generator) -> list[int]:
    """Which letters take the slack: those with a long roof, rarely others that could be wider."""
    able = [i for i, letter in enumerate(letters) if letter.glyph.stretch is not None]
    roofed = [i for i in able if letters[i].slot.letter in STRETCHED_LETTERS]
    return roofed if roofed and rng.random() < 0.9 else able


def _share_slack(
    able: list[int], missing: float, hand: Hand, rng: np.random.Generator
) -> dict[int, float]:
    """Which letters take how much of the missing width: mostly the last ones of the line."""
    count = 1 + int(rng.random() < 0.5) + int(missing > MAX_STRETCH_Q)
    if rng.random() < 0.75:
        chosen = able[-count:]
    else:
        chosen = sorted(rng.choice(able, size=min(count, len(able)), replace=False).tolist())
    shares = rng.dirichlet(np.full(len(chosen), 2.0))
    habit = min(1.0, 0.5 + hand.stretch_habit)
    return {
        i: min(MAX_STRETCH_Q, float(missing * share * habit))
        for i, share in zip(chosen, shares, strict=True)
    }


def _narrow_line(
    letters: list[PlacedLetter],
    placed: list[PlacedLetter],
    width: float,
    habits: SpacingHabits,
    seed: int,
) -> list[PlacedLetter]:
    for squeeze in (0.85, 0.7, 0.55):
        if line_width(placed) <= width:
            break
        placed = set_line(letters, habits, seed, squeeze)
    over = line_width(placed) - width
    if over <= 0.5 or len(letters) < 4:
        return placed
    last = len(letters) // 2  # a scribe sees the end of the line coming
    room = sum(p.outline.body[1] - p.outline.body[0] for p in letters[last:])
    share = max(MIN_WIDTH_SHARE, 1.0 - over / room)
    return set_line([*letters[:last], *(_narrow_letter(p, share) for p in letters[last:])],
                    habits, seed, 0.55)  # fmt: skip


def _narrow_letter(letter: PlacedLetter, share: float) -> PlacedLetter:
    """The letter narrowed to `share` of its width."""
    glyph = letter.glyph.mapped(lambda outline: outline * (share, 1.0))
    return copy_with(letter, glyph=glyph, outline=silhouette(glyph))


class OccupancyGrid:
    """Which letter inks each cell of the page; cells are 1/16 q."""

    def __init__(self, letters: list[PlacedLetter]) -> None:
        self.letters = letters
        left = min(p.x + p.outline.x0 for p in letters)
        right = max(p.x + p.outline.x0 + p.outline.cells.shape[1] / CELLS_PER_Q for p in letters)
        top = min(p.y for p in letters) + TOP_Q
        rows = SILHOUETTE_ROWS
        height = (max(p.y for p in letters) - min(p.y for p in letters)) * CELLS_PER_Q + rows
        self.origin = (left - _MARGIN_Q, top - _MARGIN_Q)
        shape = (
            int(height + 2 * _MARGIN_Q * CELLS_PER_Q) + 2,
            int((right - left + 2 * _MARGIN_Q) * CELLS_PER_Q) + 2,
        )
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
        region, cells = self._region(i, _PADDING_CELLS)
        taken = region >= 0
        if not taken.any():
            return []
        pad = _PADDING_CELLS
        wide = cv2.copyMakeBorder(cells, pad, pad, pad, pad, cv2.BORDER_CONSTANT)
        found = region[(cv2.dilate(wide, _CONTACT_KERNEL) > 0) & taken]
        if found.size == 0:
            return []
        others = [int(j) for j in np.unique(found) if j != i]
        return [j for j in others if beside or not self._neighbours(i, j)]

    def _neighbours(self, i: int, j: int) -> bool:
        return abs(i - j) == 1 and self.letters[i].slot.line == self.letters[j].slot.line

    def _region(self, i: int, pad: int = 0) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.uint8]]:
        letter = self.letters[i]
        cells = letter.outline.cells
        column = round((letter.x + letter.outline.x0 - self.origin[0]) * CELLS_PER_Q) - pad
        row = round((letter.y + TOP_Q - self.origin[1]) * CELLS_PER_Q) - pad
        row += letter.outline.first
        height, width = cells.shape
        return self.owner[row : row + height + 2 * pad, column : column + width + 2 * pad], cells


def separate_lines(letters: list[PlacedLetter]) -> list[PlacedLetter]:
    """Shorten what rises or falls into another line; what still meets is marked as touching."""
    if not letters:
        return []
    ground = OccupancyGrid(list(letters))
    for i in range(len(letters)):
        bent = i > 0 and ground.letters[i - 1].glyph is not letters[i - 1].glyph
        met = ground.met(i, beside=bent and not _meant_to_touch(letters[i]))
        if met:
            met = _yield_to_others(ground, i, met)
        for j in met:
            _mark_touching(ground, i, j)
        ground.place(i)
    return ground.letters


def _yield_to_others(ground: OccupancyGrid, i: int, met: list[int]) -> list[int]:
    """Shorten or bend letter `i` above, shorten those it meets below; who is met even so."""
    tall, longs = ground.letters[i], {j: ground.letters[j] for j in met}
    depth = 1.0
    for above, lean, below in _YIELD_STEPS:
        ground.letters[i] = _yield_shape(tall, above, lean, 1.0)
        for j, long in longs.items() if below != depth else ():
            ground.lift(j)
            ground.letters[j] = _yield_shape(long, 1.0, 0.0, below)
            ground.place(j)
        depth = below
        if not ground.met(i, beside=lean != 0.0):
            return []
    return ground.met(i)


def _yield_shape(letter: PlacedLetter, above: float, lean: float, below: float) -> PlacedLetter:
    """The letter with what rises above the line pressed to `above` and bent by `lean`, and what
    falls below the body pressed to `below`."""
    if (above, lean, below) == (1.0, 0.0, 1.0):
        return letter

    def press(outline: Outline) -> Outline:
        x, y = outline.T
        up, down = np.minimum(y, 0.0), np.maximum(y - BODY_HEIGHT_Q, 0.0)
        body = np.clip(y, 0.0, BODY_HEIGHT_Q)
        pressed = np.empty_like(outline)
        pressed[:, 0] = x - lean * up
        pressed[:, 1] = body + above * up + below * down
        return pressed

    glyph = letter.glyph.mapped(press)
    return copy_with(letter, glyph=glyph, outline=silhouette(glyph))


def _meant_to_touch(letter: PlacedLetter) -> bool:
    return any(mark.name == "letters_touch" for mark in letter.gap_marks)


def _mark_touching(ground: OccupancyGrid, i: int, j: int) -> None:
    for k in (i, j):
        letter = ground.letters[k]
        mark = DefectMark("letters_touch", 0.0, 0.5)
        ground.letters[k] = copy_with(letter, marks=(*letter.marks, mark))

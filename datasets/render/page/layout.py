"""Letters set from right to left on ruled lines, by the spacing of the hand.

- Silhouettes are outlines by rows: how near a letter can come to its neighbours without touching.
- Nesting sets a yud over the base of the letter before it, as hands do that save room: in old
  scrolls the yud after nun, bet or pe hangs above that letter's base.
- Neighbours touch in two ways: one moves into the other, or ink bridges them.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.coco.truth import DefectMark, Outline
from crownlet.datasets.render.letterforms.glyph import BODY_HEIGHT_Q, Glyph, copy_with
from crownlet.datasets.render.letterforms.hand import Hand
from crownlet.datasets.render.letterforms.outlines import next_points, split_points
from crownlet.datasets.render.letterforms.own_forms import manner_of
from crownlet.datasets.render.page.faults import Slot
from crownlet.datasets.render.page.scribe import Crowning, write_letter

YUD = "י"

OPEN_BASED_LETTERS = "בגכנעפצ"
"""Letters with a base that reaches left under a space in which a yud has room."""

MAX_NESTED_DEPTH_Q = 1.75
"""y in q at which such a yud ends at the latest: above the base, whose top is at 2."""


CELLS_PER_Q = 16
"""Rows and columns to a q."""

TOP_Q, BOTTOM_Q = -7.5, 7.5
"""Rows kept, in q from the ruled line."""

SILHOUETTE_ROWS = int((BOTTOM_Q - TOP_Q) * CELLS_PER_Q)

NEIGHBOUR_ROWS = 2
"""Rows above and below in which the neighbour's ink still counts as beside."""

_FRACTION_BITS = 6


_BODY_ROWS = slice(int(-TOP_Q * CELLS_PER_Q), int((BODY_HEIGHT_Q - TOP_Q) * CELLS_PER_Q))

MAX_BRIDGE_Q = 0.9
"""Widest gap in q that a drop of ink bridges."""


MIN_WORD_GAP_EXCESS_Q = 0.15
"""Least q by which the gap between words passes that between letters."""

NESTING_PAGE_SHARE, OWN_FORMS_NESTING_PAGE_SHARE = 0.25, 0.35
"""Share of pages whose hand sets yuds over the bases of other letters; of hands with own forms."""

MAX_KERNING_Q, MAX_NESTED_KERNING_Q = 0.6, 1.6
"""Most idle space in q taken out between two letters."""


def nests(letter: str, before: str | None) -> bool:
    """Whether this letter may hang over the base of the one before it."""
    return letter == YUD and before is not None and before in OPEN_BASED_LETTERS


def shorten_descender(glyph: Glyph) -> Glyph:
    """The letter with what hangs below the line pressed until it ends above a base."""
    low = max(float(part.outline[:, 1].max()) for part in glyph.parts if part.kind != "tag")
    if not MAX_NESTED_DEPTH_Q < low < BODY_HEIGHT_Q:
        return glyph
    share = MAX_NESTED_DEPTH_Q / low

    def press(outline: Outline) -> Outline:
        pressed = outline.copy()
        pressed[:, 1] = pressed[:, 1].clip(max=0.0) + share * pressed[:, 1].clip(min=0.0)
        return pressed

    return glyph.mapped(press)


@dataclass(frozen=True)
class Silhouette:
    """Ink cells of a glyph; edges in q from the glyph's own origin, by row."""

    cells: npt.NDArray[np.uint8]
    """Of the rows that have ink."""
    x0: float
    """x in q of the first column."""
    first: int
    """Row of the first cells, counted from `TOP_Q`."""
    left: npt.NDArray[np.float64]
    """Leftmost ink of each row; +inf in rows without ink."""
    right: npt.NDArray[np.float64]
    """Rightmost ink of each row; -inf in rows without ink."""
    near_left: npt.NDArray[np.float64]
    """Leftmost ink of each row and its near rows."""
    body: tuple[float, float]
    """Leftmost and rightmost ink within the body zone."""


def silhouette(glyph: Glyph) -> Silhouette:
    """The silhouette of `glyph`, cuts ignored."""
    outlines = [part.outline for part in glyph.parts]
    points = np.concatenate(outlines)
    x0 = float(np.floor(points[:, 0].min() * CELLS_PER_Q) - 1) / CELLS_PER_Q
    width = int(np.ceil((points[:, 0].max() - x0) * CELLS_PER_Q)) + 2
    low, high = float(points[:, 1].min()), float(points[:, 1].max())
    first = max(0, int((low - TOP_Q) * CELLS_PER_Q) - 2)
    last = min(SILHOUETTE_ROWS, int((high - TOP_Q) * CELLS_PER_Q) + 3)
    cells = np.zeros((max(1, last - first), width), np.uint8)
    corner = (x0, TOP_Q + first / CELLS_PER_Q)
    fixed = np.rint(((points - corner) * CELLS_PER_Q - 0.5) * (1 << _FRACTION_BITS))
    for outline in split_points(fixed.astype(np.int32), outlines):
        cv2.fillPoly(cells, [outline], 1, shift=_FRACTION_BITS)
    rows = np.flatnonzero(cells.max(axis=1))
    left, right = np.full(SILHOUETTE_ROWS, np.inf), np.full(SILHOUETTE_ROWS, -np.inf)
    inked = cells[rows]
    left[first + rows] = x0 + inked.argmax(axis=1) / CELLS_PER_Q
    right[first + rows] = x0 + (width - inked[:, ::-1].argmax(axis=1)) / CELLS_PER_Q
    return Silhouette(cells, x0, first, left, right, _spread_rows(left), body_extent(glyph))


def _spread_rows(edge: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    out = edge.copy()
    for step in range(1, NEIGHBOUR_ROWS + 1):
        np.minimum(out[step:], edge[:-step], out=out[step:])
        np.minimum(out[:-step], edge[step:], out=out[:-step])
    return out


def body_extent(glyph: Glyph) -> tuple[float, float]:
    """Leftmost and rightmost x of the ink within the body zone, 0 <= y <= 3 q."""
    x = _body_zone_x([part.outline for part in glyph.parts if part.kind != "tag"])
    if len(x) == 0:
        x = np.concatenate([part.outline[:, 0] for part in glyph.parts])
    return float(x.min()), float(x.max())


def _body_zone_x(outlines: list[Outline]) -> npt.NDArray[np.float64]:
    """x of the vertices in the body zone and of the edges' crossings of its two borders."""
    if not outlines:
        return np.empty(0)
    x, y = np.concatenate(outlines).T
    after_x, after_y = next_points(outlines).T
    found = [x[(y >= 0.0) & (y <= BODY_HEIGHT_Q)]]
    for border in (0.0, BODY_HEIGHT_Q):
        across = (y < border) != (after_y < border)
        share = (border - y[across]) / (after_y[across] - y[across])
        found.append(x[across] + share * (after_x[across] - x[across]))
    return np.concatenate(found)


def clearance(right: Silhouette, left: Silhouette) -> float:
    """Smallest gap in q between two letters if both stood at the same origin.

    Moving the left one by dx changes it by -dx; +inf where no rows face each other.
    """
    return float((right.near_left - left.right).min())


def contact(right: Silhouette, left: Silhouette, rows: slice, count: int) -> float:
    """Gap in q that closes when at least `count` of `rows` touch; +inf if fewer face each other."""
    return float(np.partition(right.left[rows] - left.right[rows], count - 1)[count - 1])


def touching_shift(
    right: Silhouette, left: Silhouette, rng: np.random.Generator
) -> tuple[float, DefectMark]:
    """How far to move the left letter (q, from a common origin) so that bodies touch."""
    deep = float(rng.uniform(0.12, 0.26))  # cells make outlines look 1/8 q nearer
    first = contact(right, left, _BODY_ROWS, 1)
    if not np.isfinite(first):
        first = contact(right, left, slice(None), 1)
    shift = min(contact(right, left, _BODY_ROWS, 3), first + 0.08) + deep
    rows = right.left[_BODY_ROWS] - left.right[_BODY_ROWS] < shift
    return shift, _contact_mark(float(rows.sum()) / CELLS_PER_Q)


def bridge_gap(
    right: Silhouette, left: Silhouette, shift: float, rng: np.random.Generator
) -> tuple[Outline, DefectMark] | None:
    """A thin bar of ink between bodies `shift` apart, in q from the left letter's origin.

    None where the gap between them is too wide for it.
    """
    near, far = left.right[_BODY_ROWS], right.left[_BODY_ROWS] - shift
    gap = np.where(np.isfinite(far - near), far - near, np.inf)
    rows = np.flatnonzero(gap < min(gap.min() + 0.4, MAX_BRIDGE_Q))
    if len(rows) == 0:
        return None
    row = int(rng.choice(rows))
    y = (row + 0.5) / CELLS_PER_Q
    thick = float(rng.uniform(0.1, 0.4))
    x0, x1 = float(near[row]) - 0.15, float(far[row]) + 0.15
    x = np.linspace(x0, x1, 7)
    waist = thick / 2 * (0.6 + 0.4 * np.linspace(-1, 1, 7) ** 2)
    rise = y + np.linspace(0, float(rng.normal(0, 0.1)), 7)
    upper = np.stack([x, rise - waist], axis=1)
    lower = np.stack([x, rise + waist], axis=1)[::-1]
    return np.concatenate([upper, lower]), _contact_mark(0.6 * thick)


def _contact_mark(width: float) -> DefectMark:
    """A contact of `width` q; even a hair's breadth is a contact, though not a plain one."""
    return DefectMark("letters_touch", width, float(min(1.0, 0.45 + 1.2 * width)))


@dataclass(frozen=True)
class SpacingHabits:
    """Spacing habits of one page, in q, and the least gap between letters that do not touch."""

    letter_gap: float
    word_gap: float
    kern: float
    """Share of idle space between open shapes which is taken out (0 sets by body edges)."""
    uneven: float
    tightest: float
    nests: bool = False
    """Yuds hang over the base of the letter before them."""
    pack: float = 0.0
    """0 to 1: how far letters stand over and under each other's limbs."""

    @property
    def contrast(self) -> float:
        """How plain, 0 to 1, a gap of the wrong kind is: where the two are alike, hardly."""
        return float(np.clip((self.word_gap - self.letter_gap) / 0.5, 0.0, 1.0))


@dataclass(frozen=True)
class PlacedLetter:
    """A letter on its line: add (x, y) q to its outlines to have it on the page."""

    slot: Slot
    glyph: Glyph
    outline: Silhouette
    seed: int
    x: float = 0.0
    y: float = 0.0
    marks: tuple[DefectMark, ...] = ()
    """Faults of its text and of its neighbourhood."""
    gap_marks: tuple[DefectMark, ...] = ()
    """Faults of the gap to its right."""
    extra: tuple[Outline, ...] = ()
    """Ink that belongs to no part, from this letter's origin."""
    about: tuple[float, float] | None = None
    """Point about which the letter is turned upside down."""

    @property
    def body(self) -> tuple[float, float]:
        """Leftmost and rightmost ink of the body on the page, in q."""
        return self.x + self.outline.body[0], self.x + self.outline.body[1]


def draw_spacing_habits(
    hand: Hand, tightest: float, close: float, rng: np.random.Generator
) -> SpacingHabits:
    """This page's spacing, about the hand's habit; `close` is the chance of narrow word gaps."""
    letter_gap = max(tightest, hand.letter_gap * float(rng.uniform(0.8, 1.2)))
    word_gap = max(hand.word_gap * float(rng.uniform(0.8, 1.2)), 2.0 * hand.letter_gap + 0.1)
    uneven = float(rng.uniform(0.05, 0.3))
    pack = manner_of(hand.form_seed, hand.style).pack
    letter_gap = max(tightest, letter_gap * (1.0 - 0.9 * pack))
    if rng.random() < close:  # words still part, by little: such a hand must be even
        word_gap = min(word_gap, float(rng.uniform(1.3, 1.8)) * letter_gap + MIN_WORD_GAP_EXCESS_Q)
        uneven = min(uneven, 0.12)
    nesting = OWN_FORMS_NESTING_PAGE_SHARE if hand.form_seed else NESTING_PAGE_SHARE
    if rng.random() < nesting:
        kern = float(rng.uniform(0.8, 1.0))
        return SpacingHabits(letter_gap, word_gap, kern, uneven, tightest, True, pack)
    kern = float(rng.uniform(0.0, 0.7))
    return SpacingHabits(
        letter_gap, word_gap, kern + (1.0 - kern) * pack, uneven, tightest, pack=pack
    )


def write_line(
    slots: tuple[Slot, ...],
    hand: Hand,
    crowning: Crowning,
    habits: SpacingHabits,
    rng: np.random.Generator,
) -> list[PlacedLetter]:
    """All letters of a line in their natural width, not yet set."""
    written: list[PlacedLetter] = []
    for slot, seed in zip(slots, rng.integers(1 << 62, size=len(slots)), strict=True):
        glyph = write_letter(slot, hand, crowning, int(seed))
        last = written[-1].slot if written else None
        if habits.nests and last and last.word == slot.word and nests(slot.letter, last.letter):
            glyph = shorten_descender(glyph)
        written.append(PlacedLetter(slot, glyph, silhouette(glyph), int(seed), marks=slot.marks))
    return written


def set_line(
    letters: list[PlacedLetter], habits: SpacingHabits, seed: int, squeeze: float = 1.0
) -> list[PlacedLetter]:
    """Give each letter its x, the first one's body ending at 0; `squeeze` narrows every gap.

    The same seed gives the same unevenness, so that a line can be set again after stretching.
    """
    rng = np.random.default_rng(seed)
    placed: list[PlacedLetter] = []
    for letter in letters:
        if not placed:
            placed.append(copy_with(letter, x=-letter.outline.body[1]))
            continue
        placed.append(_set_beside(placed, letter, habits, rng, squeeze))
    return placed


def _set_beside(
    placed: list[PlacedLetter],
    letter: PlacedLetter,
    habits: SpacingHabits,
    rng: np.random.Generator,
    squeeze: float,
) -> PlacedLetter:
    """Set `letter` left of the last of `placed`, with the fault planned for their gap."""
    last = placed[-1]
    fault = last.slot.gap_fault
    parts_words = last.slot.word != letter.slot.word
    wide = parts_words != (fault in ("words_joined", "word_parted"))
    uneven = float(np.exp(habits.uneven * rng.normal()))
    habit = habits.word_gap if wide else habits.letter_gap
    gap = max(habits.tightest, habit * uneven * squeeze)
    clearance_q = clearance(last.outline, letter.outline)
    between = last.outline.body[0] - letter.outline.body[1]
    shift = between - gap
    if not wide:
        idle = max(0.0, clearance_q - shift - gap)
        deepest = MAX_KERNING_Q + habits.pack * (MAX_NESTED_KERNING_Q - MAX_KERNING_Q)
        shift += min(habits.kern * idle, MAX_NESTED_KERNING_Q if habits.nests else deepest)
    shift = min(shift, clearance_q - habits.tightest)
    if fault == "letters_touch":
        return _set_touching(placed, letter, shift, rng)
    marks = () if fault is None else (DefectMark(fault, between - shift, habits.contrast),)
    return copy_with(letter, x=last.x + shift, gap_marks=marks)


def _set_touching(
    placed: list[PlacedLetter], letter: PlacedLetter, shift: float, rng: np.random.Generator
) -> PlacedLetter:
    """`letter` in contact with the last of `placed`, both marked."""
    last = placed[-1]
    bridge: tuple[Outline, ...] = ()
    found = None
    if rng.random() < 0.5:
        found = bridge_gap(last.outline, letter.outline, shift, rng)
    if found is not None:
        bridge, mark = (found[0],), found[1]
    else:
        shift, mark = touching_shift(last.outline, letter.outline, rng)
    placed[-1] = copy_with(last, marks=(*last.marks, mark))
    return copy_with(
        letter, x=last.x + shift, marks=(*letter.marks, mark), gap_marks=(mark,), extra=bridge
    )


def line_width(placed: list[PlacedLetter]) -> float:
    """From the right edge of the first body to the left edge of the last, in q."""
    return placed[0].body[1] - placed[-1].body[0] if placed else 0.0

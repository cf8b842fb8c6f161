"""From placed letters to the truth of the finished image, and quarter turns of both."""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

from crownlet.datasets.coco.truth import (
    Box,
    DefectMark,
    GapTruth,
    LetterTruth,
    PageTruth,
    PartShape,
)
from crownlet.datasets.render.defects.common import PLAIN_PLAINNESS
from crownlet.datasets.render.letterforms.glyph import BODY_HEIGHT_Q, Glyph
from crownlet.datasets.render.letterforms.pen import add_waver
from crownlet.datasets.render.page.geometry import Geometry, visible
from crownlet.datasets.render.page.layout import PlacedLetter
from crownlet.datasets.scribal.catalogue import CATALOGUE

Points = npt.NDArray[np.float64]

UNSEEN_DEFECTS = frozenset({"heel_missing", "kotz_missing"})
"""Faults that take away what a hand that leaves it small hardly shows."""

LETTER_SCOPES = ("glyph", "text")

MIN_LISTED_SHARE = 0.02
"""A letter of which the frame shows a smaller share (of its box) is not listed."""

MIN_LEGIBLE_SHARE = 0.85
"""Share of a cut letter's box, tags aside, that must show for it to be located and read."""

WAVER_Q = 0.03
"""Size of the waves by which one sheet of a page differs from another, in q: about those that a
letter of an average hand has."""

MAX_SIDE_CUT_Q = 0.3
"""Most, in q, that the frame may take off a side of such a letter: heels and feet tell
dalet from resh, bet from kaf, he from dalet. No source; by eye."""


@dataclass(frozen=True)
class ProjectedLetter:
    """A letter's outlines in image px, in the order of its parts and cuts, and ink beside them."""

    parts: tuple[Points, ...]
    cuts: tuple[Points, ...]
    extra: tuple[Points, ...]
    box: Box = (0.0, 0.0, 0.0, 0.0)
    """x0, y0, x1, y1 of the parts."""
    boxes: tuple[Box, ...] = ()
    """Of each part."""
    shapes: tuple[npt.NDArray[np.float32], ...] = ()
    """The parts once more, as labels hold them."""


class PageOutlines:
    """All outlines of a page's letters in q, one after another: parts, cuts, and ink beside them.

    Gathered once, they are projected for each picture of the page.
    """

    def __init__(self, letters: Sequence[PlacedLetter]) -> None:
        outlines = [
            _on_page(p, outline + np.array([p.x, p.y]))
            for p in letters
            for outline in (*(part.outline for part in p.glyph.parts), *p.glyph.cuts, *p.extra)
        ]
        self._points = np.concatenate(outlines) if outlines else np.empty((0, 2))
        ends = np.cumsum([len(outline) for outline in outlines], dtype=np.int64)
        self._starts = np.concatenate([[0], ends[:-1]]).astype(np.int64)
        self._ranges = list(zip(self._starts.tolist(), ends.tolist(), strict=False))
        self._counts = [(len(p.glyph.parts), len(p.glyph.cuts), len(p.extra)) for p in letters]

    def wavered(self, rng: np.random.Generator) -> PageOutlines:
        """The same writing by a hand that wavered otherwise: slow waves over the whole page.

        Points that are near each other move alike, so that what touches or gapes goes on doing so,
        and every label holds.
        """
        moved = copy(self)
        moved._points = add_waver(self._points, WAVER_Q, rng.uniform(-1.0, 1.0, 12).tolist())
        return moved

    def project(self, geometry: Geometry) -> list[ProjectedLetter]:
        """Outlines of all letters in px; one call of `geometry` for the whole page."""
        if not self._counts:
            return []
        points = geometry(self._points)
        small = points.astype(np.float32)
        edges = [
            f.reduceat(axis, self._starts)
            for f in (np.minimum, np.maximum)
            for axis in np.ascontiguousarray(points.T)
        ]
        boxes = [tuple(box) for box in np.stack(edges, axis=1).tolist()]
        letters: list[ProjectedLetter] = []
        k = 0
        for parts, cuts, extra in self._counts:
            a, b, c = k + parts, k + parts + cuts, k + parts + cuts + extra
            parted, cut, beside = (
                tuple([points[i:j] for i, j in self._ranges[m:n]])
                for m, n in ((k, a), (a, b), (b, c))
            )
            shapes = tuple([small[i:j] for i, j in self._ranges[k:a]])
            x0, y0, x1, y1 = zip(*boxes[k:a], strict=True)
            box = (min(x0), min(y0), max(x1), max(y1))
            letters.append(ProjectedLetter(parted, cut, beside, box, tuple(boxes[k:a]), shapes))
            k = c
        return letters


def _on_page(placed: PlacedLetter, points: Points) -> Points:
    return points if placed.about is None else 2.0 * np.array(placed.about) - points


def label_letters(
    letters: Sequence[PlacedLetter], drawn: Sequence[ProjectedLetter], geometry: Geometry
) -> tuple[list[LetterTruth], list[int]]:
    """Truth of the letters seen in the frame, and their indices among `letters`."""
    bodies = _bodies(letters, geometry)
    truths: list[LetterTruth] = []
    kept: list[int] = []
    for i, (placed, shape) in enumerate(zip(letters, drawn, strict=True)):
        truth = _label_letter(placed, shape, bodies[i], geometry.size)
        if truth is not None:
            truths.append(truth)
            kept.append(i)
    return truths, kept


def _label_letter(
    placed: PlacedLetter,
    drawn: ProjectedLetter,
    body: tuple[float, float, float],
    size: tuple[int, int],
) -> LetterTruth | None:
    full = drawn.box
    box = _cut_box(full, size)
    whole = box == full
    polygons: Sequence[npt.NDArray[Any]] = drawn.shapes
    if not whole:
        if _area(box) < MIN_LISTED_SHARE * _area(full):
            return None
        polygons = [
            _seen(p, edges, size) for p, edges in zip(drawn.parts, drawn.boxes, strict=True)
        ]
        shown = [polygon for polygon in polygons if len(polygon) >= 3]
        if not shown:
            return None
        box = _box(shown)
        if box[2] - box[0] < 2 or box[3] - box[1] < 2:
            return None
    parts = tuple(
        PartShape(part.name, part.kind, polygon.astype(np.float32, copy=False))
        for part, polygon in zip(placed.glyph.parts, polygons, strict=True)
        if len(polygon) >= 3
    )
    slot = placed.slot
    return LetterTruth(
        slot.letter, slot.expected, slot.line, slot.word, slot.place, box,
        (*body, 0.0 if placed.about is None else 180.0),
        placed.glyph.tags, _asked_defects(placed), parts, whole,
        placed.glyph.other, placed.glyph.share, placed.glyph.oddity,
        not whole and _legible(placed, drawn, body[2] / 3.0, size), _known_defects(placed.glyph),
    )  # fmt: skip


def _seen(polygon: Points, edges: Box, size: tuple[int, int]) -> Points:
    """What the frame shows of a polygon with these `edges`; may be empty."""
    x0, y0, x1, y1 = edges
    if x0 >= 0 and y0 >= 0 and x1 <= size[0] and y1 <= size[1]:
        return polygon
    if x1 < 0 or y1 < 0 or x0 > size[0] or y0 > size[1]:
        return polygon[:0]
    return np.clip(visible(polygon, size), 0.0, size)


def _asked_defects(placed: PlacedLetter) -> tuple[DefectMark, ...]:
    """The defects of a letter, without the doubtful ones that its hand's own form hides."""
    marks = _plainest((*placed.glyph.defects, *placed.marks))
    known = _known_defects(placed.glyph)
    if known is None:
        return marks
    hidden = {*placed.glyph.unasked} - {*known}
    return tuple(mark for mark in marks if mark.name not in hidden)


def _known_defects(glyph: Glyph) -> tuple[str, ...] | None:
    """Defects of which the truth is known: all, or the letter's but those that are the hand's way.

    A plain fault on such a letter goes beyond its hand's way and is known, but for those that take
    away what is hardly there.
    """
    plain = {
        mark.name for mark in glyph.defects if mark.plainness > PLAIN_PLAINNESS
    } - UNSEEN_DEFECTS
    unasked = tuple(name for name in glyph.unasked if name not in plain)
    return _all_but(unasked, glyph.letter) if unasked else None


@cache
def _all_but(unasked: tuple[str, ...], letter: str) -> tuple[str, ...]:
    return tuple(
        name
        for name, defect in CATALOGUE.items()
        if defect.scope in LETTER_SCOPES and defect.applies_to(letter) and name not in unasked
    )


def _legible(placed: PlacedLetter, drawn: ProjectedLetter, q: float, size: tuple[int, int]) -> bool:
    """Whether what the frame leaves of a letter is enough to read it by."""
    ink = [p for part, p in zip(placed.glyph.parts, drawn.parts, strict=True) if part.kind != "tag"]
    full = _box(ink or drawn.parts)
    seen = _cut_box(full, size)
    off_side = max(seen[0] - full[0], full[2] - seen[2])
    return _area(seen) >= MIN_LEGIBLE_SHARE * _area(full) and off_side <= MAX_SIDE_CUT_Q * q


def _plainest(marks: tuple[DefectMark, ...]) -> tuple[DefectMark, ...]:
    """One mark of each name: a letter may touch both its neighbours."""
    found: dict[str, DefectMark] = {}
    for mark in marks:
        if mark.name not in found or mark.plainness > found[mark.name].plainness:
            found[mark.name] = mark
    return tuple(found.values())


def _bodies(
    letters: Sequence[PlacedLetter], geometry: Geometry
) -> list[tuple[float, float, float]]:
    """(centre x, y of the ruled line, body height) in px of each letter."""
    if not letters:
        return []
    ends = [
        np.array([[sum(p.body) / 2, p.y], [sum(p.body) / 2, p.y + BODY_HEIGHT_Q]]) for p in letters
    ]
    moved = geometry(
        np.concatenate([_on_page(p, end) for p, end in zip(letters, ends, strict=True)])
    )
    top, foot = moved[::2], moved[1::2]
    height = np.hypot(*(foot - top).T)
    # The column of the body's middle, not of its top: tilted pages lean the letter.
    x = (top[:, 0] + foot[:, 0]) / 2
    return [(float(a), float(b), float(c)) for a, b, c in zip(x, top[:, 1], height, strict=True)]


def _box(polygons: Sequence[Points]) -> Box:
    points = np.concatenate(list(polygons))
    x0, y0 = points.min(axis=0)
    x1, y1 = points.max(axis=0)
    return float(x0), float(y0), float(x1), float(y1)


def _cut_box(box: Box, size: tuple[int, int]) -> Box:
    width, height = size
    return (
        min(max(box[0], 0.0), width), min(max(box[1], 0.0), height),
        min(max(box[2], 0.0), width), min(max(box[3], 0.0), height),
    )  # fmt: skip


def _area(box: Box) -> float:
    return max(0.0, box[2] - box[0]) * max(0.0, box[3] - box[1])


def label_gaps(
    letters: Sequence[PlacedLetter], kept: Sequence[int], spread: float
) -> list[GapTruth]:
    """Gaps between listed neighbours; ink that spread by `spread` q over each edge narrows them."""
    number = {old: new for new, old in enumerate(kept)}
    gaps: list[GapTruth] = []
    for i in kept:
        right, left = letters[i - 1] if i else None, letters[i]
        if right is None or i - 1 not in number or right.slot.line != left.slot.line:
            continue
        joined = right.slot.word == left.slot.word
        width = right.body[0] - left.body[1] - 2 * spread
        kind = "letter" if joined else "word"
        gaps.append(
            GapTruth(number[i - 1], number[i], kind, width, left.gap_marks)  # type: ignore[arg-type]
        )
    return gaps


def turn_page(page: PageTruth, degrees: int) -> PageTruth:
    """`page` turned clockwise by a multiple of 90 degrees."""
    for _ in range(degrees // 90 % 4):
        page = _turn_quarter(page)
    return page


def _turn_quarter(page: PageTruth) -> PageTruth:
    height = float(page.image.shape[0])
    letters = tuple(_turn_letter(letter, height) for letter in page.letters)
    image = np.ascontiguousarray(np.rot90(page.image, -1))
    return replace(page, image=image, letters=letters)


def _turn_letter(letter: LetterTruth, height: float) -> LetterTruth:
    x0, y0, x1, y1 = letter.box
    x, y, body, angle = letter.body
    return replace(
        letter,
        box=(height - y1, x0, height - y0, x1),
        body=(height - y, x, body, (angle + 90.0) % 360.0),
        parts=tuple(_turn_part(part, height) for part in letter.parts),
    )


def _turn_part(part: PartShape, height: float) -> PartShape:
    x, y = part.polygon.T
    return replace(part, polygon=np.stack([np.float32(height) - y, x], axis=1))

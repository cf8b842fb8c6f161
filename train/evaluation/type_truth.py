"""Truth of a type page: boxes from the ink of each letter, body cells, gaps."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from crownlet.datasets.coco.truth import Box, DefectMark, GapTruth, LetterTruth, PartShape
from crownlet.datasets.render.letterforms.glyph import BODY_HEIGHT_Q
from crownlet.train.evaluation.type_cuts import DOUBTFUL_CROWNS, FONT_TAGS
from crownlet.train.evaluation.type_font import FontName, LetterInk, TypeGlyph

Points = npt.NDArray[np.float64]


@dataclass(frozen=True)
class PlacedLetter:
    """A letter on the page: ink with its first column and row in px, and its ruled line."""

    glyph: TypeGlyph
    ink: LetterInk
    line: int
    word: int
    place: int
    x: int
    """Px of the letter's origin."""
    ruled: int

    @property
    def left(self) -> int:
        """First column of the ink's array on the page."""
        return self.x + self.ink.left

    @property
    def top(self) -> int:
        """First row of the ink's array on the page."""
        return self.ruled + self.ink.top


@dataclass(frozen=True)
class PageTransform:
    """How the page lies in the image: affine matrix (2, 3), and its degrees clockwise."""

    matrix: Points
    degrees: float = 0.0

    def __call__(self, points: npt.ArrayLike) -> Points:
        """Px of the page, shape (N, 2), as px of the image."""
        turned: Points = np.asarray(points, np.float64) @ self.matrix[:, :2].T + self.matrix[:, 2]
        return turned


def letter_truth(
    letter: PlacedLetter, font: FontName, body: float, turn: PageTransform
) -> LetterTruth:
    """What is known of one letter; its box holds every px with any ink, turned with the page."""
    glyph = letter.glyph
    rows, columns = np.nonzero(np.round(letter.ink.cover * 255))
    inside = (rows + letter.ink.top >= 0) & (rows + letter.ink.top < body)
    in_body = columns[inside]
    middle = letter.left + (int(in_body.min()) + int(in_body.max()) + 1) / 2
    centre = turn([[middle, letter.ruled]])[0]
    tags, defects = len(glyph.tags), glyph.defects
    if glyph.letter in DOUBTFUL_CROWNS[font]:
        tags = FONT_TAGS[font].get(glyph.letter, 0)
        defects = (*defects, DefectMark("tag_missing", 0.0, plainness=0.5))
    scale, origin = body / BODY_HEIGHT_Q, np.array([letter.x, letter.ruled])
    parts = tuple(
        PartShape(f"tag_{i + 1}", "tag", turn(tag * scale + origin).astype(np.float32))
        for i, tag in enumerate(glyph.tags)
    )
    return LetterTruth(
        letter=glyph.letter,
        expected=glyph.letter,
        line=letter.line,
        word=letter.word,
        place=letter.place,
        box=_box(columns + letter.left, rows + letter.top, turn),
        body=(float(centre[0]), float(centre[1]), float(body), turn.degrees),
        tags=tags,
        defects=defects,
        parts=parts,
    )


def _box(columns: npt.NDArray[np.intp], rows: npt.NDArray[np.intp], turn: PageTransform) -> Box:
    turned = turn(np.stack([columns, rows], axis=1) + 0.5)
    (x0, y0), (x1, y1) = turned.min(axis=0) - 0.5, turned.max(axis=0) + 0.5
    return float(x0), float(y0), float(x1), float(y1)


def gaps_between(placed: Sequence[PlacedLetter], body: float) -> tuple[GapTruth, ...]:
    """The gap between each two neighbours of a line, on the page before it is turned."""
    edges = [_edges(letter, body) for letter in placed]
    gaps = []
    for i, (right, left) in enumerate(itertools.pairwise(placed)):
        if right.line != left.line:
            continue
        rows = edges[i][0] - edges[i + 1][1]
        shared = rows[np.isfinite(rows)]
        width = shared.min() if shared.size else right.left - left.left - left.ink.cover.shape[1]
        kind: Literal["letter", "word"] = "letter" if right.word == left.word else "word"
        gaps.append(GapTruth(i, i + 1, kind, float(width) * BODY_HEIGHT_Q / body))
    return tuple(gaps)


def _edges(letter: PlacedLetter, body: float) -> tuple[Points, Points]:
    """Left and right edge of the ink in each px row of the body; NaN where a row has none."""
    ink = letter.ink
    rows = np.zeros((int(np.ceil(body)), ink.cover.shape[1]), bool)
    first, last = max(0, -ink.top), min(ink.cover.shape[0], len(rows) - ink.top)
    rows[first + ink.top : last + ink.top] = ink.cover[first:last] >= 0.5
    some = rows.any(axis=1)
    left = np.where(some, letter.left + rows.argmax(axis=1), np.nan)
    right = letter.left + rows.shape[1] - rows[:, ::-1].argmax(axis=1)
    return left, np.where(some, right, np.nan)

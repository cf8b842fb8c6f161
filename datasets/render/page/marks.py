"""Ink between words that is no letter: strokes after verses and fillers of short lines.

Books have them, scrolls have not; a reader must not take them for letters. They have no labels.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from crownlet.datasets.render.page.geometry import Geometry
from crownlet.datasets.render.page.labels import ProjectedLetter
from crownlet.datasets.render.page.layout import PlacedLetter

Points = npt.NDArray[np.float64]

MIN_CLEARANCE_Q = 0.3
"""Least distance in q of a stroke from the letters beside it, so that it is no part of them."""

STROKE_WIDTH_Q = (0.12, 0.42)
"""Mean width of a verse stroke in q; thinner than any leg that has no head. By eye."""

MARKED_GAP_Q = (1.0, 2.6)
"""Least gap of words in q by a hand that sets marks. By eye."""

STROKE_HEIGHT_Q = (1.8, 4.2)
_STROKE_POINTS = 7


def draw_marks(
    letters: Sequence[PlacedLetter], edges: tuple[float, float], rng: np.random.Generator
) -> tuple[Points, ...]:
    """Outlines of a page's marks in q, each (N, 2): one manner of strokes, at some of its gaps.

    `edges` are the left and right edge of the column; gaps too narrow for a stroke stay empty.
    """
    width = float(rng.uniform(*STROKE_WIDTH_Q))
    height = float(rng.uniform(*STROKE_HEIGHT_Q))
    wave, swell = float(rng.uniform(0.0, 0.25)), float(rng.uniform(0.0, 0.6))
    often, fills = float(rng.uniform(0.1, 0.7)), bool(rng.random() < 0.4)
    marks: list[Points] = []
    for x0, x1, y in _word_gaps(letters):
        room = x1 - x0 - 2.0 * MIN_CLEARANCE_Q - width
        if room > 0.0 and rng.random() < often:
            x = x0 + MIN_CLEARANCE_Q + 0.5 * width + room * float(rng.beta(3.0, 3.0))
            marks.append(_draw_stroke(x, y, width, height, wave, swell, rng))
    if fills:
        for x0, x1, y in _line_ends(letters, edges[0]):
            marks.extend(_fill_line(x0, x1, y, width, rng))
    return tuple(marks)


def _word_gaps(letters: Sequence[PlacedLetter]) -> Iterator[tuple[float, float, float]]:
    """Left, right and ruled line in q of the gaps between the words of each upright line."""
    for right, left in pairwise(letters):
        same = right.slot.line == left.slot.line and right.slot.word != left.slot.word
        if same and right.about is None:
            yield left.body[1], right.body[0], left.y


def _line_ends(
    letters: Sequence[PlacedLetter], edge: float
) -> Iterator[tuple[float, float, float]]:
    """The empty end of each upright line of the main column, right edge at x = 0, that is short."""
    for i, last in enumerate(letters):
        ends = i + 1 == len(letters) or letters[i + 1].slot.line != last.slot.line
        if ends and last.about is None and edge < last.body[0] < 0.0:
            yield edge, last.body[0], last.y


def _draw_stroke(
    x: float, y: float, width: float, height: float, wave: float, swell: float,
    rng: np.random.Generator,
) -> Points:  # fmt: skip
    """An upright stroke that waves and swells, its middle at `x` and the middle of the body."""
    along = np.linspace(-0.5, 0.5, _STROKE_POINTS) * height * float(np.exp(rng.normal(0, 0.1)))
    middle = x + wave * np.sin(np.linspace(0, 2 * np.pi, _STROKE_POINTS) + rng.uniform(0, 6.3))
    middle += rng.normal(0, 0.05) * along + rng.normal(0, 0.03, _STROKE_POINTS)
    half = 0.5 * width * np.exp(swell * rng.normal(0, 1, _STROKE_POINTS)).clip(0.3, 2.0)
    half[[0, -1]] *= 0.6
    y_at = y + 1.5 + float(rng.normal(0, 0.15)) + along
    right = np.stack([middle + half, y_at], axis=1)
    left = np.stack([middle - half, y_at], axis=1)[::-1]
    return np.concatenate([right, left])


def _fill_line(
    x0: float, x1: float, y: float, width: float, rng: np.random.Generator
) -> Iterator[Points]:
    """Slanted strokes from the last word towards the column's edge."""
    lean, step = float(rng.uniform(0.2, 1.0)), float(rng.uniform(0.7, 1.6))
    height = float(rng.uniform(1.0, 2.6))
    x = x1 - 0.8 - lean
    while x - lean - width > x0:
        low, high = y + 1.5 - 0.5 * height, y + 1.5 + 0.5 * height
        thick = width * float(rng.uniform(0.7, 1.4))
        yield np.array(
            [(x - lean, high), (x - lean + thick, high), (x + thick, low), (x, low)]
        ) + rng.normal(0, 0.04, (4, 2))
        x -= step + thick


def project_marks(marks: Sequence[Points], geometry: Geometry) -> list[ProjectedLetter]:
    """The marks in image px, as ink beside letters that are not there."""
    return [ProjectedLetter((), (), (geometry(outline),)) for outline in marks]

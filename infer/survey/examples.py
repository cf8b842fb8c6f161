"""Letters of each source drawn at random, as pictures: neither the worst nor the best on purpose.

The draw depends on the seed and a letter's place alone. Letters of Divine Names are not drawn, and
those that stand beside a drawn letter lie under plates (`sheet/veil.py`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from crownlet.datasets.files.images import PageError
from crownlet.infer.review.queue import stable_hash
from crownlet.infer.sheet.pictures import EmbeddedPicture, cut_window
from crownlet.infer.sheet.veil import VeiledPage

if TYPE_CHECKING:
    from crownlet.infer.run.run import StoredPage
    from crownlet.infer.survey.data import SurveyData

EXAMPLES_OF_ALL, EXAMPLES_OF_DEFECT = 6, 4
"""Letters of a source drawn among all, and among those marked with one defect."""

WINDOW_SIZE_Q = (7.0, 7.0)
"""Width and height of a picture, in pen widths (q)."""

Q_RANGE_PX = (12.0, 12.0)
"""Least and most pixels of a pen width in it."""

MAX_PAGES_IN_MEMORY = 6

SPARE_LETTERS = 24
"""Letters drawn beyond those shown, in place of Names and of letters without their scan."""


@dataclass(frozen=True)
class ExampleLetter:
    """One letter and its neighbours."""

    letter: str
    picture: EmbeddedPicture
    at: tuple[int, int, int, int]
    """Left, top, width and height of the letter in the picture, per cent."""


@dataclass(frozen=True)
class SourceExamples:
    """The letters drawn of one source."""

    source: str
    population: int
    """Letters from which they were drawn."""
    examples: tuple[ExampleLetter, ...]


@dataclass(frozen=True)
class ExampleSet:
    """A row for each source: of all letters (`defect` empty), or of those marked with one."""

    defect: str
    rows: tuple[SourceExamples, ...]


def draw_examples(
    survey: SurveyData, stored: Mapping[str, StoredPage], defects: Sequence[str], seed: int
) -> tuple[ExampleSet, ...]:
    """Letters of all kinds, then letters with a finding of each of `defects`.

    `stored` has the survey's pages by name.
    """
    pages = _VeiledPages(survey, stored)
    arrays = survey.arrays
    every = np.ones(len(survey.page), dtype=bool)
    sets = [_draw_set(pages, every, "", EXAMPLES_OF_ALL, seed)]
    for defect in defects:
        found = arrays.found[arrays.defects.index(defect)]
        sets.append(_draw_set(pages, found, defect, EXAMPLES_OF_DEFECT, seed))
    return tuple(sets)


def _draw_set(
    pages: _VeiledPages, population: NDArray[np.bool_], defect: str, count: int, seed: int
) -> ExampleSet:
    """`count` letters of each source among those of `population`, a mask of (letters,)."""
    survey = pages.survey
    source = survey.arrays.source_of[survey.arrays.scroll]
    rows = []
    for number, code in enumerate(survey.arrays.sources):
        places = np.flatnonzero(population & (source == number))
        drawn: list[ExampleLetter] = []
        for place in _order_at_random(survey, places, defect, seed)[: count + SPARE_LETTERS]:
            example = pages.example(place) if len(drawn) < count else None
            drawn += [example] if example else []
        rows.append(SourceExamples(code, len(places), tuple(drawn)))
    return ExampleSet(defect, tuple(rows))


def _order_at_random(
    survey: SurveyData, places: NDArray[np.intp], defect: str, seed: int
) -> list[int]:
    """Places in random order, by the seed; of very many, some are enough."""
    most = 50 * (EXAMPLES_OF_ALL + SPARE_LETTERS)
    if len(places) > most:
        chosen = np.random.default_rng([seed, len(places)]).choice(places, most, replace=False)
        places = np.sort(chosen)
    keyed = [
        (stable_hash(seed, "example", defect, survey.page[p], int(survey.glyph[p])), int(p))
        for p in places
    ]
    return [place for _, place in sorted(keyed)]


class _VeiledPages:
    """Pages opened when first needed, Names under plates; a few are kept in memory."""

    def __init__(self, survey: SurveyData, stored: Mapping[str, StoredPage]) -> None:
        self.survey = survey
        self._stored = stored
        self._pages: dict[str, VeiledPage | None] = {}

    def example(self, place: int) -> ExampleLetter | None:
        """The picture of one letter; None for a letter of a Name, or without its scan."""
        page = self._page(str(self.survey.page[place]))
        if page is None:
            return None
        glyph = page.record.glyphs[int(self.survey.glyph[place]) - 1]
        if glyph.glyph in page.names:
            return None
        window = cut_window(
            page, glyph.box, WINDOW_SIZE_Q, glyph.q, glyph.rotation, q_px=Q_RANGE_PX
        )
        x0, y0, x1, y1 = window.box(glyph.box)
        across, down = 100 / window.picture.width, 100 / window.picture.height
        at = (x0 * across, y0 * down, (x1 - x0) * across, (y1 - y0) * down)
        left, top, width, height = (round(part) for part in at)
        return ExampleLetter(glyph.letter, window.picture, (left, top, width, height))

    def _page(self, name: str) -> VeiledPage | None:
        if name not in self._pages:
            if len(self._pages) >= MAX_PAGES_IN_MEMORY:
                self._pages.pop(next(iter(self._pages)))
            try:
                stored = self._stored[name]
                stored.check_picture()
                self._pages[name] = VeiledPage(stored.brief()[0], stored.pixels)
            except (PageError, KeyError):
                self._pages[name] = None
        return self._pages[name]

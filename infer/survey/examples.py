"""Letters of each source drawn by lot, as pictures: never the worst, nor the best, on purpose.

The lot follows from the seed and a letter's place alone. Letters of Divine Names are not drawn, and
those that stand beside a drawn letter lie under plates (`sheet/veil.py`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from crownlet.datasets.files.images import PageError
from crownlet.infer.review.queue import stable_hash
from crownlet.infer.sheet.pictures import EmbeddedPicture, cut_window
from crownlet.infer.sheet.veil import VeiledPage

if TYPE_CHECKING:
    from crownlet.infer.run.run import Run
    from crownlet.infer.survey.data import SurveyData

EXAMPLES_OF_ALL, EXAMPLES_OF_DEFECT = 6, 4
"""Letters of a source drawn among all, and among those marked with one defect."""

WINDOW_SIZE_Q = (7.0, 7.0)

Q_RANGE_PX = (12.0, 12.0)

MAX_PAGES_IN_MEMORY = 6
"""Pages held in memory at once."""

SPARE_LETTERS = 24
"""Letters drawn beyond those wanted, for Names and pictures that have gone."""


@dataclass(frozen=True)
class ExampleLetter:
    """One letter and its neighbours."""

    letter: str
    picture: EmbeddedPicture
    at: tuple[int, int, int, int]
    """Left, top, width and height of the letter in the picture, per cent."""


@dataclass(frozen=True)
class SourceExamples:
    """What was drawn of one source."""

    source: str
    among: int
    """Letters among which was drawn."""
    examples: tuple[ExampleLetter, ...]


@dataclass(frozen=True)
class ExampleSet:
    """A row for each source: of all letters (`defect` empty), or of those marked with one."""

    defect: str
    rows: tuple[SourceExamples, ...]


def draw_examples(
    survey: SurveyData, run: Run, defects: Sequence[str], seed: int
) -> tuple[ExampleSet, ...]:
    """Letters of all kinds, then letters with a finding of each of `defects`."""
    album = _VeiledPages(survey, run)
    every = np.ones(len(survey.page), dtype=bool)
    shown = [
        ExampleSet("", tuple(_draw_by_source(survey, album, every, "", EXAMPLES_OF_ALL, seed)))
    ]
    for defect in defects:
        marked = survey.tables.found[survey.tables.defects.index(defect)]
        shown.append(
            ExampleSet(
                defect,
                tuple(_draw_by_source(survey, album, marked, defect, EXAMPLES_OF_DEFECT, seed)),
            )
        )
    return tuple(shown)


def _draw_by_source(
    survey: SurveyData,
    album: _VeiledPages,
    among: NDArray[np.bool_],
    defect: str,
    wanted: int,
    seed: int,
) -> Iterator[SourceExamples]:
    source = survey.tables.source_of[survey.tables.scroll]
    for number, code in enumerate(survey.tables.sources):
        places = np.flatnonzero(among & (source == number))
        drawn: list[ExampleLetter] = []
        for place in _order_at_random(survey, places, defect, seed)[: wanted + SPARE_LETTERS]:
            example = album.example(place) if len(drawn) < wanted else None
            drawn += [example] if example else []
        yield SourceExamples(code, len(places), tuple(drawn))


def _order_at_random(
    survey: SurveyData, places: NDArray[np.intp], defect: str, seed: int
) -> list[int]:
    """Places in the order of their lots; of very many a first few are enough."""
    few = EXAMPLES_OF_ALL + SPARE_LETTERS
    if len(places) > 50 * few:
        chosen = np.random.default_rng([seed, len(places)]).choice(places, 50 * few, replace=False)
        places = np.sort(chosen)
    keyed = [
        (stable_hash(seed, "example", defect, survey.page[p], int(survey.glyph[p])), int(p))
        for p in places
    ]
    return [place for _, place in sorted(keyed)]


class _VeiledPages:
    """Pages opened as they are wanted, veiled; a few are kept."""

    def __init__(self, survey: SurveyData, run: Run) -> None:
        self._survey = survey
        self._run = run
        self._pages: dict[str, VeiledPage | None] = {}

    def example(self, place: int) -> ExampleLetter | None:
        """The picture of one letter; None for a letter of a Name, or without its scan."""
        page = self._page(str(self._survey.page[place]))
        if page is None:
            return None
        glyph = page.page.glyphs[int(self._survey.glyph[place]) - 1]
        if glyph.glyph in page.names:
            return None
        seen = cut_window(page, glyph.box, WINDOW_SIZE_Q, glyph.q, glyph.rotation, q_px=Q_RANGE_PX)
        x0, y0, x1, y1 = seen.box(glyph.box)
        across, down = 100 / seen.picture.width, 100 / seen.picture.height
        at = (x0 * across, y0 * down, (x1 - x0) * across, (y1 - y0) * down)
        left, top, width, height = (round(part) for part in at)
        return ExampleLetter(glyph.letter, seen.picture, (left, top, width, height))

    def _page(self, name: str) -> VeiledPage | None:
        if name not in self._pages:
            if len(self._pages) >= MAX_PAGES_IN_MEMORY:
                self._pages.pop(next(iter(self._pages)))
            try:
                stored = self._run.pages[name]
                self._pages[name] = VeiledPage(stored.brief()[0], stored.pixels())
            except (PageError, KeyError):
                self._pages[name] = None
        return self._pages[name]

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
from crownlet.infer.sheet.pictures import Picture, window
from crownlet.infer.sheet.veil import Veiled

if TYPE_CHECKING:
    from crownlet.infer.run.run import Run
    from crownlet.infer.survey.data import Gathered

ANY, MARKED = 6, 4
"""Letters of a source drawn among all, and among those marked with one defect."""

SIZE_Q = (7.0, 7.0)

Q_PX = (12.0, 12.0)

KEPT = 6
"""Pages held in memory at once."""

SPARE = 24
"""Letters drawn beyond those wanted, for Names and pictures that have gone."""


@dataclass(frozen=True)
class Example:
    """One letter and its neighbours."""

    letter: str
    picture: Picture
    at: tuple[int, int, int, int]
    """Left, top, width and height of the letter in the picture, per cent."""


@dataclass(frozen=True)
class Drawn:
    """What was drawn of one source."""

    source: str
    among: int
    """Letters among which was drawn."""
    examples: tuple[Example, ...]


@dataclass(frozen=True)
class Shown:
    """A row for each source: of all letters (`defect` empty), or of those marked with one."""

    defect: str
    rows: tuple[Drawn, ...]


def examples(survey: Gathered, run: Run, defects: Sequence[str], seed: int) -> tuple[Shown, ...]:
    """Letters of all kinds, then letters with a finding of each of `defects`."""
    album = _Album(survey, run)
    every = np.ones(len(survey.page), dtype=bool)
    shown = [Shown("", tuple(_rows(survey, album, every, "", ANY, seed)))]
    for defect in defects:
        marked = survey.tables.found[survey.tables.defects.index(defect)]
        shown.append(Shown(defect, tuple(_rows(survey, album, marked, defect, MARKED, seed))))
    return tuple(shown)


def _rows(
    survey: Gathered, album: _Album, among: NDArray[np.bool_], defect: str, wanted: int, seed: int
) -> Iterator[Drawn]:
    source = survey.tables.source_of[survey.tables.scroll]
    for number, code in enumerate(survey.tables.sources):
        places = np.flatnonzero(among & (source == number))
        drawn: list[Example] = []
        for place in _by_lot(survey, places, defect, seed)[: wanted + SPARE]:
            example = album.example(place) if len(drawn) < wanted else None
            drawn += [example] if example else []
        yield Drawn(code, len(places), tuple(drawn))


def _by_lot(survey: Gathered, places: NDArray[np.intp], defect: str, seed: int) -> list[int]:
    """Places in the order of their lots; of very many a first few are enough."""
    few = ANY + SPARE
    if len(places) > 50 * few:
        chosen = np.random.default_rng([seed, len(places)]).choice(places, 50 * few, replace=False)
        places = np.sort(chosen)
    keyed = [
        (stable_hash(seed, "example", defect, survey.page[p], int(survey.glyph[p])), int(p))
        for p in places
    ]
    return [place for _, place in sorted(keyed)]


class _Album:
    """Pages opened as they are wanted, veiled; a few are kept."""

    def __init__(self, survey: Gathered, run: Run) -> None:
        self._survey = survey
        self._run = run
        self._pages: dict[str, Veiled | None] = {}

    def example(self, place: int) -> Example | None:
        """The picture of one letter; None for a letter of a Name, or without its scan."""
        page = self._page(str(self._survey.page[place]))
        if page is None:
            return None
        glyph = page.page.glyphs[int(self._survey.glyph[place]) - 1]
        if glyph.glyph in page.names:
            return None
        seen = window(page, glyph.box, SIZE_Q, glyph.q, glyph.body[3], q_px=Q_PX)
        x0, y0, x1, y1 = seen.box(glyph.box)
        across, down = 100 / seen.picture.width, 100 / seen.picture.height
        at = (x0 * across, y0 * down, (x1 - x0) * across, (y1 - y0) * down)
        left, top, width, height = (round(part) for part in at)
        return Example(glyph.letter, seen.picture, (left, top, width, height))

    def _page(self, name: str) -> Veiled | None:
        if name not in self._pages:
            if len(self._pages) >= KEPT:
                self._pages.pop(next(iter(self._pages)))
            try:
                stored = self._run.pages[name]
                self._pages[name] = Veiled(stored.brief()[0], stored.pixels())
            except (PageError, KeyError):
                self._pages[name] = None
        return self._pages[name]

"""Face against reverse source by source: does a hand do outside what it leaves undone inside?"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np

from crownlet.infer.survey.comparing import compare
from crownlet.infer.survey.contrasts import holm
from crownlet.infer.survey.records import Basis
from crownlet.infer.survey.tables import Tables, tables


@dataclass(frozen=True)
class SourcePair:
    """The two sides of one source's scrolls: a paired t test, as `Pair` over all sources."""

    defect: str
    source: str
    basis: Basis
    scrolls: int
    difference: float
    """Mean over scrolls of the face's rate less the reverse's."""
    low: float | None
    high: float | None
    p: float | None
    p_holm: float | None
    """Corrected over the rows of this table (Holm 1979)."""


def by_source(survey: Tables, defects: Collection[str]) -> tuple[SourcePair, ...]:
    """A row for each of `defects` and each source with letters on both sides of some scroll."""
    rows = []
    for code in survey.sources:
        for p in compare(_of(survey, code, defects)).pairs:
            rows.append(
                SourcePair(
                    p.defect, code, p.basis, p.scrolls, p.difference, p.low, p.high, p.p, None
                )
            )
    rows.sort(key=lambda row: (survey.defects.index(row.defect), row.source))
    corrected = holm([row.p for row in rows])
    return tuple(replace(row, p_holm=p) for row, p in zip(rows, corrected, strict=True))


def _of(survey: Tables, code: str, defects: Collection[str]) -> Tables:
    """The letters of one source, some defects of them."""
    mine = survey.source_of[survey.scroll] == survey.sources.index(code)
    kept = [k for k, defect in enumerate(survey.defects) if defect in defects]
    part = np.ix_(np.array(kept, dtype=np.int64), np.flatnonzero(mine))
    chance = np.broadcast_to(survey.chance, survey.predicted.shape)
    return tables(
        [survey.defects[k] for k in kept],
        scroll=survey.scroll[mine],
        source=np.full(int(mine.sum()), code),
        predicted=survey.predicted[part],
        label=survey.label[part],
        chance=chance[part],
        found=survey.found[part],
        side=survey.side[mine],
        letter=survey.letter[mine],
    )

"""Face against reverse source by source: does a hand do outside what it leaves undone inside?"""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

from crownlet.datasets.files.errors import FileFault
from crownlet.infer.scrolls.gather import NAME
from crownlet.infer.survey.compare import compare_sources
from crownlet.infer.survey.contrasts import adjust_holm
from crownlet.infer.survey.data import SurveyArrays, build_arrays
from crownlet.infer.survey.records import Basis


@dataclass(frozen=True)
class SourceSideContrast:
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


def contrast_sides_by_source(
    survey: SurveyArrays, defects: Collection[str]
) -> tuple[SourceSideContrast, ...]:
    """A row for each of `defects` and each source with letters on both sides of some scroll."""
    rows = []
    for code in survey.sources:
        for p in compare_sources(_select_source(survey, code, defects)).pairs:
            rows.append(
                SourceSideContrast(
                    p.defect, code, p.basis, p.scrolls, p.difference, p.low, p.high, p.p, None
                )
            )
    rows.sort(key=lambda row: (survey.defects.index(row.defect), row.source))
    corrected = adjust_holm([row.p for row in rows])
    return tuple(replace(row, p_holm=p) for row, p in zip(rows, corrected, strict=True))


def _select_source(survey: SurveyArrays, code: str, defects: Collection[str]) -> SurveyArrays:
    """The letters of one source, some defects of them."""
    mine = survey.source_of[survey.scroll] == survey.sources.index(code)
    kept = [k for k, defect in enumerate(survey.defects) if defect in defects]
    part = np.ix_(np.array(kept, dtype=np.int64), np.flatnonzero(mine))
    chance = np.broadcast_to(survey.chance, survey.predicted.shape)
    return build_arrays(
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


@dataclass(frozen=True)
class SourceEvenness:
    """The scrolls of one source whose hand could be examined."""

    source: str
    scrolls: int
    uneven: int
    """Scrolls with at least one uneven form."""
    width_spread: float
    """Median over scrolls of the spread of a form's widths, a share of the width."""
    height_spread: float
    forms: tuple[tuple[str, int], ...]
    """Uneven forms and the scrolls with them, the commonest first."""


def summarise_evenness(folder: Path, code_of: Mapping[str, str]) -> tuple[SourceEvenness, ...]:
    """A row a source; `code_of` maps scrolls to sources. FileFault for a list that cannot be read.

    Scrolls whose pages have too few letters of any form to say something are left out.
    """
    path = folder / NAME
    if not path.is_file():
        return ()
    held: defaultdict[str, list[list[Mapping[str, Any]]]] = defaultdict(list)
    try:
        for scroll in json.loads(path.read_bytes())["scrolls"]:
            forms = (scroll["consistency"] or {}).get("forms", [])
            if forms and scroll["name"] in code_of:
                held[code_of[scroll["name"]]].append(forms)
        return tuple(_summarise_source(code, scrolls) for code, scrolls in sorted(held.items()))
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise FileFault(path, f"is no list of scrolls ({error!r}).") from None


def _summarise_source(code: str, scrolls: list[list[Mapping[str, Any]]]) -> SourceEvenness:
    uneven = [[form["letter"] for form in forms if form["uneven"]] for forms in scrolls]
    counts = Counter(letter for letters in uneven for letter in letters)
    return SourceEvenness(
        source=code,
        scrolls=len(scrolls),
        uneven=sum(bool(letters) for letters in uneven),
        width_spread=median(median(f["width_spread"] for f in forms) for forms in scrolls),
        height_spread=median(median(f["height_spread"] for f in forms) for forms in scrolls),
        forms=tuple(sorted(counts.items(), key=lambda item: (-item[1], item[0]))[:5]),
    )

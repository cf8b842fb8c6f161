"""Numbers of each source on its own: its two sides compared, and how even its scrolls are."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

from crownlet.datasets.files.errors import FileFault
from crownlet.infer.run.names import SCROLLS_FILE
from crownlet.infer.run.tables import parse_record
from crownlet.infer.survey.compare import compare_sources
from crownlet.infer.survey.contrasts import adjust_tests
from crownlet.infer.survey.data import SurveyArrays, build_arrays
from crownlet.infer.survey.records import Basis


@dataclass(frozen=True)
class SourceSideContrast:
    """The two sides of one source's scrolls: signs flipped, as `SideContrast` over all sources.

    One row of pairs_by_source.csv.
    """

    defect: str
    source: str
    basis: Basis
    n_clusters: int
    """Independent units with letters on both sides that can have the defect."""
    difference: float
    """Mean over units of the face's rate less the reverse's."""
    ci_low: float | None
    ci_high: float | None
    p_value: float | None
    p_value_exact: float | None
    p_value_holm: float | None
    """Corrected over the rows of this table (Holm 1979)."""


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


def contrast_sides_by_source(
    survey: SurveyArrays, defects: Collection[str]
) -> tuple[SourceSideContrast, ...]:
    """A row for each of `defects` and each source with letters on both sides of some scroll."""
    rows = [
        SourceSideContrast(
            c.defect, source, c.basis, c.n_clusters, c.difference, c.ci_low, c.ci_high, c.p_value,
            c.p_value_exact, p_value_holm=None,
        )
        for source in survey.sources
        for c in compare_sources(_select_source(survey, source, defects)).side_contrasts
    ]  # fmt: skip
    rows.sort(key=lambda row: (survey.defects.index(row.defect), row.source))
    adjusted = adjust_tests([row.p_value for row in rows], [row.p_value_exact for row in rows])
    return tuple(replace(row, p_value_holm=p) for row, p in zip(rows, adjusted, strict=True))


def summarise_evenness(folder: Path, code_of: Mapping[str, str]) -> tuple[SourceEvenness, ...]:
    """How even each source's scrolls are, by what the inspection measured of each scroll's hand.

    One row per source; `code_of` maps scrolls to sources. Scrolls with too few letters of any form
    to be measured are left out; no row at all in a run without a list of scrolls. FileFault for a
    list that cannot be read.
    """
    path = folder / SCROLLS_FILE
    if not path.is_file():
        return ()
    held: defaultdict[str, list[list[Mapping[str, Any]]]] = defaultdict(list)
    try:
        for scroll in parse_record(path.read_bytes())["scrolls"]:
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


def _select_source(survey: SurveyArrays, source: str, defects: Collection[str]) -> SurveyArrays:
    """The letters of one source, some defects of them."""
    own = survey.source_of[survey.scroll] == survey.sources.index(source)
    kept = [k for k, defect in enumerate(survey.defects) if defect in defects]
    part = np.ix_(np.array(kept, dtype=np.int64), np.flatnonzero(own))
    return build_arrays(
        [survey.defects[k] for k in kept],
        scroll=survey.scroll[own],
        source=np.full(int(own.sum()), source),
        predicted=survey.predicted[part],
        label=survey.label[part],
        inclusion_probability=survey.inclusion_probability[part],
        found=survey.found[part],
        side=survey.side[own],
        letter=survey.letter[own],
        scribe=survey.scribe_of[survey.scroll][own],
    )

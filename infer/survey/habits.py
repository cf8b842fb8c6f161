"""Habits of hands compared between sources: the share of scribes who, say, leave out single crowns.

The inspection states of every scroll what its hand does as a rule (`scrolls.json`). A habit belongs
to a hand, so that it counts once for each independent unit, however many letters show it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from crownlet.datasets.files.errors import FileFault
from crownlet.infer.run.names import SCROLLS_FILE
from crownlet.infer.run.tables import parse_record
from crownlet.infer.survey.contrasts import adjust_holm
from crownlet.infer.survey.data import SurveyArrays
from crownlet.infer.survey.estimators import estimate_read, estimate_with_audit, fit_lambdas
from crownlet.infer.survey.exact_shares import compare_shares
from crownlet.infer.survey.intervals import Floats, clopper_pearson_limits
from crownlet.infer.survey.permutation import compare_many
from crownlet.infer.survey.records import MIN_UNITS_FOR_INTERVAL, Basis
from crownlet.infer.survey.scroll_counts import ScrollCounts

HABIT_SHARE = 0.5
"""Share of the letters concerned from which on a hand has a habit, where readers checked letters,
and share of a scribe's scrolls that must state it, where only the tool speaks."""

MAX_SOURCES_FOR_HABIT_PAIRS = 6
"""Of more sources only the test of all together is made."""

HabitGroup = tuple[str, int | None]
"""Defect, and of crowns how many the letters ask for."""


@dataclass(frozen=True)
class HabitShare:
    """Of one source's units, those whose hand has a habit: one row of habits.csv."""

    defect: str
    tags_expected: int | None
    letters: str
    """Letters of the alphabet concerned; empty for all."""
    source: str
    basis: Basis
    """`unaudited`: the tool's statements; else by the rates that readers' answers give."""
    n_clusters: int
    n_with_habit: int
    estimate: float
    ci_low: float | None
    ci_high: float | None
    """Exact limits at 95%; None unaudited, or with fewer than `MIN_UNITS_FOR_INTERVAL` clusters."""
    p_value: float | None
    """That all sources are alike in this habit; None unaudited, or where no test is offered."""
    p_value_holm: float | None
    """Corrected over the habits of this table (Holm 1979)."""


@dataclass(frozen=True)
class HabitContrast:
    """Two sources' shares of units with one habit: one row of habit_contrasts.csv."""

    defect: str
    tags_expected: int | None
    letters: str
    first: str
    second: str
    n_first: int
    n_second: int
    """Clusters of each."""
    difference: float
    """The first's share less the second's."""
    ci_low: float
    ci_high: float
    """Exact limits at 95% (Agresti and Min 2001)."""
    p_value: float
    """Exact, two-sided (Barnard 1945)."""
    p_value_holm: float | None
    """Corrected over this table (Holm 1979)."""


class HabitComparison(NamedTuple):
    """The rows of both tables."""

    shares: tuple[HabitShare, ...]
    contrasts: tuple[HabitContrast, ...]


def compare_habits(
    folder: Path, survey: SurveyArrays, scrolls: Sequence[ScrollCounts]
) -> HabitComparison:
    """A row for each habit that some scroll states and each source, and for each two sources.

    `scrolls` are in the order of the numbers in `survey`. No row in a run without a list of
    scrolls; FileFault for a list that cannot be read.
    """
    stated = _read_statements(folder)
    place_of = {scroll.name: place for place, scroll in enumerate(scrolls)}
    letters_of: defaultdict[HabitGroup, set[str]] = defaultdict(set)
    has: defaultdict[HabitGroup, NDArray[np.float64]] = defaultdict(
        lambda: np.zeros(len(scrolls), dtype=np.float64)
    )
    for name, habits in stated.items():
        for group, letters in habits.items():
            letters_of[group] |= set(letters)
            if name in place_of:
                has[group][place_of[name]] = 1.0
    shares: list[HabitShare] = []
    contrasts: list[HabitContrast] = []
    tests: dict[HabitGroup, float | None] = {}
    for group in sorted(has, key=lambda g: (g[0], g[1] or 0)):
        own, pairs = _compare_one(survey, group, "".join(sorted(letters_of[group])), has[group])
        shares += own
        contrasts += pairs
        tests[group] = own[0].p_value if own else None
    adjusted = dict(zip(tests, adjust_holm(list(tests.values())), strict=True))
    corrected = adjust_holm([contrast.p_value for contrast in contrasts])
    return HabitComparison(
        tuple(replace(r, p_value_holm=adjusted[r.defect, r.tags_expected]) for r in shares),
        tuple(replace(c, p_value_holm=p) for c, p in zip(contrasts, corrected, strict=True)),
    )


def _read_statements(folder: Path) -> dict[str, dict[HabitGroup, str]]:
    """Habits of each scroll and the letters that show them."""
    path = folder / SCROLLS_FILE
    if not path.is_file():
        return {}
    try:
        scrolls: list[Mapping[str, Any]] = parse_record(path.read_bytes())["scrolls"]
        return {
            scroll["name"]: {
                (habit["defect"], habit["tags_expected"]): habit["letters"]
                for habit in scroll.get("habits", ())
            }
            for scroll in scrolls
        }
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise FileFault(path, f"is no list of scrolls ({error!r}).") from None


def _compare_one(
    survey: SurveyArrays, group: HabitGroup, letters: str, has: Floats
) -> tuple[list[HabitShare], list[HabitContrast]]:
    """The rows of one habit, p not yet corrected."""
    unit_of = survey.unit_of
    source_of = np.zeros(int(unit_of.max()) + 1, dtype=np.int64)
    source_of[unit_of] = survey.source_of
    rates = _checked_rates(survey, group[0], letters, len(source_of))
    basis: Basis = "unaudited"
    if rates is None:
        rates = np.bincount(unit_of, has) / np.bincount(unit_of)
    else:
        basis = "audited"
    known = ~np.isnan(rates)
    holds = np.where(known, rates >= HABIT_SHARE, np.nan).astype(np.float64)
    groups = [holds[known & (source_of == number)] for number in range(len(survey.sources))]
    sources = [(name, own) for name, own in zip(survey.sources, groups, strict=True) if len(own)]
    enough = [
        (name, own)
        for name, own in sources
        if basis != "unaudited" and len(own) >= MIN_UNITS_FOR_INTERVAL
    ]
    contrasts = []
    if len(enough) <= MAX_SOURCES_FOR_HABIT_PAIRS:
        contrasts = [
            _contrast(group, letters, *one, *other) for one, other in combinations(enough, 2)
        ]
    p_value = None
    if len(enough) == len(survey.sources) > 1:
        alone = len(enough) == 2
        p_value = contrasts[0].p_value if alone else compare_many([own for _, own in enough])
    limits = {name: clopper_pearson_limits(int(own.sum()), len(own)) for name, own in enough}
    shares = []
    for source, own in sources:
        low, high = limits.get(source, (None, None))
        shares.append(
            HabitShare(
                *group, letters, source, basis, len(own), int(own.sum()), float(own.mean()), low,
                high, p_value, None,
            )
        )  # fmt: skip
    return shares, contrasts


def _contrast(
    group: HabitGroup, letters: str, first: str, own: Floats, second: str, other: Floats
) -> HabitContrast:
    found = compare_shares(int(own.sum()), len(own), int(other.sum()), len(other))
    return HabitContrast(*group, letters, first, second, len(own), len(other), *found, None)


def _checked_rates(survey: SurveyArrays, defect: str, letters: str, units: int) -> Floats | None:
    """Rate of each unit on the letters concerned, NaN without any; None where it is unaudited."""
    if defect not in survey.defects:
        return None
    row = survey.defects.index(defect)
    examined = ~np.isnan(survey.predicted[row])
    kept = (
        np.isin(survey.letter[examined], list(letters))
        if letters
        else np.ones(examined.sum(), bool)
    )
    sample = survey.letters(row).select(kept)
    judged = ~np.isnan(sample.label)
    present = np.unique(sample.unit)
    if not len(present) or len(np.unique(sample.unit[judged])) < len(present):
        return None
    own = replace(sample, unit=np.searchsorted(present, sample.unit))
    if judged.all():
        found = estimate_read(own.sum_by_unit(own.label), own.sum_by_unit(np.ones_like(own.label)))
    else:
        found = estimate_with_audit(own, fit_lambdas(own))
    rates = np.full(units, np.nan)
    rates[present] = found.unit_rates
    return rates

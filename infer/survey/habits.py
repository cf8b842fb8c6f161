"""Habits of hands compared between sources: the share of scribes who, say, leave out single crowns.

The inspection states of every scroll what its hand does as a rule (`scrolls.json`). A habit belongs
to a hand, so that it counts once for each independent unit, however many letters show it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from crownlet.datasets.files.documents import parse_json
from crownlet.datasets.files.errors import FileFault
from crownlet.infer.run.names import SCROLLS_FILE
from crownlet.infer.survey.contrasts import adjust_holm
from crownlet.infer.survey.data import ScrollCounts, SurveyArrays
from crownlet.infer.survey.estimators import estimate_read, estimate_with_audit, fit_lambdas
from crownlet.infer.survey.intervals import Floats
from crownlet.infer.survey.permutation import compare_many
from crownlet.infer.survey.records import MIN_UNITS_FOR_INTERVAL, Basis

HABIT_SHARE = 0.5
"""Share of the letters concerned from which on a hand has a habit, where readers checked letters,
and share of a scribe's scrolls that must state it, where only the tool speaks."""

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
    p_value: float | None
    """That all sources are alike in this habit; None unaudited, or where no test is offered."""
    p_value_holm: float | None
    """Corrected over the habits of this table (Holm 1979)."""


def compare_habits(
    folder: Path, survey: SurveyArrays, scrolls: Sequence[ScrollCounts]
) -> tuple[HabitShare, ...]:
    """A row for each habit that some scroll states and each source.

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
    rows: list[HabitShare] = []
    tests: list[float | None] = []
    for group in sorted(has, key=lambda g: (g[0], g[1] or 0)):
        own, p_value = _compare_one(survey, group, "".join(sorted(letters_of[group])), has[group])
        rows += own
        tests.append(p_value)
    adjusted = iter(adjust_holm(tests))
    holm = {(r.defect, r.tags_expected): None for r in rows} | {
        key: next(adjusted) for key in dict.fromkeys((r.defect, r.tags_expected) for r in rows)
    }
    return tuple(replace(r, p_value_holm=holm[r.defect, r.tags_expected]) for r in rows)


def _read_statements(folder: Path) -> dict[str, dict[HabitGroup, str]]:
    """Habits of each scroll and the letters that show them."""
    path = folder / SCROLLS_FILE
    if not path.is_file():
        return {}
    try:
        scrolls: list[Mapping[str, Any]] = parse_json(path.read_bytes())["scrolls"]
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
) -> tuple[list[HabitShare], float | None]:
    """The rows of one habit and the p value that all sources are alike in it."""
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
    p_value = None
    if basis != "unaudited" and min(map(len, groups)) >= MIN_UNITS_FOR_INTERVAL:
        p_value = _test_shares(groups)
    return [
        HabitShare(
            *group, letters, source, basis, len(own), int(own.sum()), float(own.mean()), p_value,
            None,
        )
        for source, own in zip(survey.sources, groups, strict=True)
        if len(own)
    ], p_value  # fmt: skip


def _test_shares(groups: Sequence[Floats]) -> float | None:
    """p that all groups of zeros and ones are alike: of two, Fisher's exact test."""
    if len(groups) > 2:
        return compare_many(groups)
    table = [[int(own.sum()), len(own) - int(own.sum())] for own in groups]
    return float(stats.fisher_exact(table)[1]) if len(groups) == 2 else None


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

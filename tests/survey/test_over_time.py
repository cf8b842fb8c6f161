"""Rates by year and their slopes, against scipy and plain counts."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from crownlet.infer.survey.data import SurveyData, build_arrays
from crownlet.infer.survey.labels import AuditCounts
from crownlet.infer.survey.over_time import fit_slope, rate_by_year, read_year
from crownlet.infer.survey.scroll_counts import ScrollCounts

YEARS = ("2019", "2019-06", "2020", "2021-03-09", "2022", "2022", "2023", "")


def survey() -> SurveyData:
    """Every letter read: scroll k of the one source has k of 50 letters with the defect."""
    scroll = np.repeat(np.arange(len(YEARS)), 50)
    names = np.array([f"S{k:03d}" for k in range(len(YEARS))])
    label = (np.tile(np.arange(50), len(YEARS)) < scroll).astype(float)
    arrays = build_arrays(
        ["ink_lost"], names[scroll], np.full(len(scroll), "A"), [np.full(len(scroll), 0.1)],
        [label], 1.0,
    )  # fmt: skip
    counts = tuple(
        ScrollCounts(name, "A", 1, 0, 50, 0, covariates=(("date", date),) if date else ())
        for name, date in zip(names.tolist(), YEARS, strict=True)
    )
    page = np.char.add(names, "-face")[scroll]
    return SurveyData(
        arrays, page, np.tile(np.arange(1, 51), len(YEARS)), {"North": "A"}, counts,
        AuditCounts(0, 0, 0), {}, (),
    )  # fmt: skip


def test_rates_of_each_year_are_those_of_its_scrolls() -> None:
    found = rate_by_year(survey())
    assert [(row.year, row.n_clusters, round(row.estimate * 50, 9)) for row in found.years] == [
        (2019, 2, 0.5), (2020, 1, 2), (2021, 1, 3), (2022, 2, 4.5), (2023, 1, 6),
    ]  # fmt: skip
    assert {row.n_letters for row in found.years} == {50, 100}
    assert found.note == "1 of 8 scrolls have no date that can be read."


def test_the_slope_is_that_of_scipy() -> None:
    [trend] = rate_by_year(survey()).trends
    years = [read_year(date) for date in YEARS[:-1]]
    line = stats.linregress(years, np.arange(7) / 50)
    assert trend.slope == pytest.approx(line.slope)
    margin = stats.t.ppf(0.975, 5) * line.stderr
    limits = (line.slope - margin, line.slope + margin)
    assert (trend.ci_low, trend.ci_high) == pytest.approx(limits)
    assert (trend.n_clusters, trend.first_year, trend.last_year) == (7, 2019, 2023)


def test_limits_of_the_slope_hold_the_truth() -> None:
    """95% of 1,000 regressions with normal errors; the share errs by 0.7%."""
    rng = np.random.default_rng(1)
    years = np.repeat(np.arange(2015, 2025), 2).astype(float)
    held = 0
    for _ in range(1000):
        _, low, high = fit_slope(years, 0.01 * years + rng.normal(0, 0.05, len(years)))
        held += low <= 0.01 <= high
    assert held / 1000 == pytest.approx(0.95, abs=0.025)


@pytest.mark.parametrize(
    ("date", "year"),
    [("2024", 2024.5), ("2024-01", 2024 + 0.5 / 12), ("2024-12-31", 2024 + (11 + 30.5 / 31) / 12),
     (" 5784 ", 5784.5), ("2024-13", math.nan), ("2024-02-40", math.nan), ("spring", math.nan),
     ("", math.nan), ("24", math.nan)],
)  # fmt: skip
def test_dates_are_years_months_or_days(date: str, year: float) -> None:
    assert read_year(date) == pytest.approx(year, nan_ok=True)


def test_two_calendars_are_not_mixed_and_no_date_gives_nothing() -> None:
    made = survey()
    mixed = (*made.scrolls[:1], replace(made.scrolls[1], covariates=(("date", "5784"),)),
             *made.scrolls[2:])  # fmt: skip
    found = rate_by_year(replace(made, scrolls=mixed))
    assert found.years == () and "two calendars" in found.note
    bare = tuple(replace(one, covariates=()) for one in made.scrolls)
    assert rate_by_year(replace(made, scrolls=bare)).years == ()
    assert rate_by_year(made, defects=()).years == ()

"""Rates over time: by the year in the manifest's column `date`, and how they change by the year.

The year of a unit is the mean of its dated scrolls', so that a scribe counts once. Such a change is
exploratory: scrolls of one year may come of other scribes, pens and pictures than those of the
next.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from scipy import stats

from crownlet.infer.survey.data import SurveyData
from crownlet.infer.survey.intervals import Floats
from crownlet.infer.survey.records import CONFIDENCE_LEVEL, MIN_UNITS_FOR_INTERVAL, Basis
from crownlet.infer.survey.source_rates import SourceEstimate, estimate_sources

DATE_COLUMN = "date"

MIN_UNITS_FOR_TREND = 5
"""Fewer units give no slope: two of them are spent on the line itself."""

FIRST_HEBREW_YEAR = 4000
"""Years from here on are those of the Hebrew calendar."""

_DATE = re.compile(r"(\d{4})(?:-(\d{2})(?:-(\d{2}))?)?")


@dataclass(frozen=True)
class YearRate:
    """The rate of one source's units of one year: one row of years.csv."""

    defect: str
    source: str
    year: int
    basis: Basis
    n_clusters: int
    """Scribes where known, else scrolls."""
    n_letters: int
    estimate: float
    """Mean of the units' rates."""
    ci_low: float | None
    ci_high: float | None
    """None for what no reader checked, and with fewer than `MIN_UNITS_FOR_INTERVAL` units."""


@dataclass(frozen=True)
class RateTrend:
    """How one source's rate changes by the year: one row of trends.csv."""

    defect: str
    source: str
    n_clusters: int
    first_year: int
    last_year: int
    slope: float
    """Share of letters more in each year: least squares over the units' rates."""
    ci_low: float
    ci_high: float


@dataclass(frozen=True)
class RatesOverTime:
    """All rates by year, and their slopes."""

    years: tuple[YearRate, ...]
    trends: tuple[RateTrend, ...]
    note: str
    """Which scrolls are left out, and why; empty where none is."""


def rate_by_year(survey: SurveyData, defects: Collection[str] | None = None) -> RatesOverTime:
    """Rates by year; nothing where no scroll has a date, or years of two calendars are mixed.

    Only of `defects`, all if None. A date is a year, a month or a day: 2024, 2024-05, 2024-05-17.
    Slopes are given for sources that a reader checked, with `MIN_UNITS_FOR_TREND` units of two
    years at least.
    """
    dates = [dict(one.covariates).get(DATE_COLUMN, "") for one in survey.scrolls]
    of_scroll = np.array([read_year(date) for date in dates])
    known = ~np.isnan(of_scroll)
    if not known.any():
        return RatesOverTime((), (), "")
    if len({year >= FIRST_HEBREW_YEAR for year in of_scroll[known]}) > 1:
        return RatesOverTime((), (), "Dates of two calendars are mixed, so that none is used.")
    arrays = survey.arrays
    units, size = arrays.unit_of[known], int(arrays.unit_of.max()) + 1
    with np.errstate(invalid="ignore"):
        year_of = np.bincount(units, of_scroll[known], size) / np.bincount(units, minlength=size)
    years: list[YearRate] = []
    trends: list[RateTrend] = []
    for row, defect in enumerate(arrays.defects):
        if defects is None or defect in defects:
            examined = ~np.isnan(arrays.predicted[row])
            for found in estimate_sources(arrays, arrays.letters(row), examined):
                years += _rate_years(defect, found, year_of[found.units])
                trends += _fit_trend(defect, found, year_of[found.units])
    without = int((~known).sum())
    note = f"{without} of {len(known)} scrolls have no date that can be read." if without else ""
    return RatesOverTime(tuple(years), tuple(trends), note)


def read_year(date: str) -> float:
    """A date as a year and its part; that of a year or a month is its middle. NaN for none."""
    found = _DATE.fullmatch(date.strip())
    if found is None:
        return float("nan")
    year, month, day = (int(part) if part else None for part in found.groups())
    if (month is not None and not 1 <= month <= 12) or (day is not None and not 1 <= day <= 31):
        return float("nan")
    part = 0.5
    if month is not None:
        part = (month - 1 + ((day - 0.5) / 31 if day is not None else 0.5)) / 12
    return float(year or 0) + part


def fit_slope(years: Floats, rates: Floats) -> tuple[float, float, float]:
    """Slope by least squares with its limits at `CONFIDENCE_LEVEL`, by a t quantile."""
    line = stats.linregress(years, rates)
    margin = float(stats.t.ppf((1 + CONFIDENCE_LEVEL) / 2, len(years) - 2)) * float(line.stderr)
    return float(line.slope), float(line.slope) - margin, float(line.slope) + margin


def _rate_years(defect: str, found: SourceEstimate, years: Floats) -> list[YearRate]:
    """A row for each year in `years`, (units,), NaN where not known."""
    rows = []
    for year in np.unique(np.floor(years[~np.isnan(years)])):
        own = found.rate.select(np.floor(years) == year)
        units = len(own.unit_rates)
        low, high = None, None
        if found.basis != "unaudited" and units >= MIN_UNITS_FOR_INTERVAL:
            low, high = own.confidence_limits()
        rate = min(max(own.rate, 0.0), 1.0)
        letters = int(own.unit_letters.sum())
        rows.append(
            YearRate(defect, found.source, int(year), found.basis, units, letters, rate, low, high)
        )
    return rows


def _fit_trend(defect: str, found: SourceEstimate, years: Floats) -> list[RateTrend]:
    """The slope over `years`, (units,); nothing where there are too few, or of one year only."""
    known = ~np.isnan(years)
    own = years[known]
    if found.basis == "unaudited" or len(own) < MIN_UNITS_FOR_TREND:
        return []
    first, last = int(own.min()), int(own.max())
    if first == last:
        return []
    slope = fit_slope(own, found.rate.unit_rates[known])
    return [RateTrend(defect, found.source, len(own), first, last, *slope)]

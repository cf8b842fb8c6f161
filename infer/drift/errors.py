"""How many letters of a page are misread, expected from how surely they are read.

On pages that the networks know and on worse ones alike, the share of letters misread goes with the
mean doubt of the reading (1 - the probability of each letter). The curve between the two is
measured on rendered pages from easy to hardly legible, by hands from known to far from all known
(`train/calibration/expected_error.py`), and stands in the reference of the networks.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from crownlet.infer.records import Floats, PageRecord

MIN_DOUBT = 1e-4
"""Doubt is compared by its logarithm; none is less."""

LEAST_SHOWN_SHARE = 0.001
"""Smaller shares are shown as smaller than this: the pages that were measured tell no more."""

COVERED_SHARE = 0.8
"""Share of pages of the same doubt whose errors lie between `low` and `high`."""


@dataclass(frozen=True)
class ExpectedErrorRate:
    """Shares of letters misread: the expected one, and the range of eight pages in ten."""

    share: float
    low: float
    high: float
    beyond: bool = False
    """Whether the reading is in more doubt than any page that was measured: then it is at least
    so much."""


@dataclass(frozen=True)
class ErrorCurve:
    """Points of rising doubt with the share of letters misread there, each (K,)."""

    doubt: Floats
    share: Floats
    low: Floats
    high: Floats
    usual: float
    """Share misread of well taken pages by hands that are known."""
    provenance: str

    def at(self, doubt: float) -> ExpectedErrorRate:
        """What to expect of a page read with this mean doubt, between points by the logarithm."""
        place = np.log(max(doubt, MIN_DOUBT))
        known = np.log(np.maximum(self.doubt, MIN_DOUBT))
        share, low, high = (
            float(np.interp(place, known, values)) for values in (self.share, self.low, self.high)
        )
        return ExpectedErrorRate(share, low, high, beyond=bool(place > known[-1]))

    def as_values(self) -> dict[str, Any]:
        """As it stands in `reference.json`."""
        columns = {
            name: [float(f"{value:.4g}") for value in getattr(self, name)]
            for name in ("doubt", "share", "low", "high")
        }
        usual = float(f"{self.usual:.4g}")
        return {"provenance": self.provenance, "usual": usual, **columns}


def read_error_curve(data: dict[str, Any] | None) -> ErrorCurve | None:
    """The curve of a reference; None where the reference is older than that. ValueError or
    KeyError if it cannot be used."""
    if data is None:
        return None
    columns = [np.array(data[name], np.float64) for name in ("doubt", "share", "low", "high")]
    doubt = columns[0]
    if doubt.ndim != 1 or len(doubt) < 2 or any(c.shape != doubt.shape for c in columns):
        raise ValueError("its curve of errors is not a table")
    if (np.diff(doubt) <= 0).any():
        raise ValueError("its curve of errors does not rise")
    share, low, high = columns[1:]
    return ErrorCurve(doubt, share, low, high, float(data["usual"]), str(data["provenance"]))


@dataclass(frozen=True)
class ScrollReading:
    """How a scroll was read: its letters, their mean doubt, and whether its hand is known."""

    letters: int
    doubt: float
    hand_known: bool | None
    """None in runs older than that record."""


def describe_reading(pages: Iterable[PageRecord]) -> ScrollReading:
    """How the pages of one scroll were read; ValueError without any letter.

    The hand is unknown if it is on most of the pages that say so.
    """
    records = list(pages)
    doubts = [1.0 - glyph.letter_p for page in records for glyph in page.glyphs]
    if not doubts:
        raise ValueError("there is no letter to ask about")
    known = [page.familiarity.known for page in records if page.familiarity is not None]
    return ScrollReading(
        len(doubts), float(np.mean(doubts)), sum(known) * 2 >= len(known) if known else None
    )


def expect_together(readings: Iterable[ScrollReading], curve: ErrorCurve) -> ExpectedErrorRate:
    """What to expect of several scrolls together, each counted by its letters."""
    found = [(reading.letters, curve.at(reading.doubt)) for reading in readings]
    total = sum(letters for letters, _ in found)
    share, low, high = (
        sum(letters * getattr(each, name) for letters, each in found) / total
        for name in ("share", "low", "high")
    )
    return ExpectedErrorRate(share, low, high, any(each.beyond for _, each in found))


def error_words(error: ExpectedErrorRate) -> str:
    """`about 8% of the letters misread (3 to 15%)`."""
    if error.share < LEAST_SHOWN_SHARE:
        return "under 0.1% of the letters misread"
    least = "at least " if error.beyond else "about "
    low, high = percent(error.low), percent(error.high)
    return f"{least}{percent(error.share)}% of the letters misread ({low} to {high}%)"


def percent(share: float) -> str:
    """A share as a number of percent, with one decimal below ten."""
    return f"{100 * share:.0f}" if share >= 0.0995 else f"{100 * share:.1f}".removesuffix(".0")

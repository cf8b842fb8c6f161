"""What a survey finds, as plain records: rates, shares of scrolls, contrasts of sources and sides.

Each record is one row of a table in S/report, and its fields are that table's columns. Estimates,
limits and differences are shares of letters from 0 to 1, never per cent. A source is named as the
caller names it, which should be a code (A, B, C). A cluster is a scroll.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Basis = Literal["read", "audited", "unaudited"]
"""What a rate rests on. `read`: a reader judged every letter that can have the defect; `audited`:
the network's answers for all letters, corrected by letters drawn at random and read; `unaudited`:
the network's answers alone: the limits hold for what it marks, not for what is there."""

CONFIDENCE_LEVEL = 0.95
"""Of every interval."""

MIN_SCROLLS_FOR_INTERVAL = 3
"""Fewer scrolls of a source give no interval and no contrast: nothing shows how scrolls vary."""

MIN_SCROLLS_WITHOUT_WARNING = 8
"""Fewer scrolls than this are called few beside every number."""


@dataclass(frozen=True)
class DefectRate:
    """How often a defect was found among the letters of one source that can have it."""

    defect: str
    letter: str
    """The one letter of the alphabet counted; empty for all that can have the defect."""
    source: str
    basis: Basis
    n_clusters: int
    """Scrolls with letters that can have the defect: the independent units."""
    n_letters: int
    """Letters that can have it."""
    n_audited: int
    """Letters of them that a reader judged."""
    estimate: float
    """Share of letters; 0 if the corrected estimate falls below."""
    std_error: float | None
    """By linearisation between scrolls; None with one scroll."""
    ci_low: float | None
    ci_high: float | None
    """The limits at `CONFIDENCE_LEVEL`; None with fewer than `MIN_SCROLLS_FOR_INTERVAL` scrolls."""
    design_effect: float | None
    """Variance over that of as many independent letters as were judged; below 1 where the network's
    answers saved more than the correlation within scrolls cost. None where it is not defined."""
    icc: float | None
    """Correlation of two letters of one scroll (intra-cluster correlation), at least 0."""
    note: str
    """Plain words of caution; empty if there is none."""


@dataclass(frozen=True)
class ScrollShare:
    """Of a source's scrolls, the share with at least one finding, by the tool's answers alone."""

    defect: str
    """A defect's name, or `any`."""
    source: str
    n_clusters: int
    """Scrolls of the source."""
    n_with_finding: int
    """Scrolls of them with at least one finding."""
    estimate: float
    """`n_with_finding` over `n_clusters`."""
    ci_low: float | None
    ci_high: float | None
    """Clopper-Pearson limits over scrolls; None with fewer than `MIN_SCROLLS_FOR_INTERVAL`."""


@dataclass(frozen=True)
class SourceContrast:
    """The difference of two sources in one defect: Welch's t test on the rates of scrolls."""

    defect: str
    first: str
    second: str
    basis: Basis
    """The weaker basis of the two."""
    difference: float
    """Mean rate of the first source's scrolls less that of the second's, a share of letters."""
    ci_low: float | None
    ci_high: float | None
    df: float | None
    """Degrees of freedom by Welch and Satterthwaite."""
    p_value: float | None
    """Two-sided; None where scrolls do not vary, where a source has fewer than
    `MIN_SCROLLS_FOR_INTERVAL`, or where only one of the two was audited."""
    p_value_holm: float | None
    """Corrected over all defects and pairs of sources of the survey (Holm 1979), unaudited ones
    apart from the others."""


@dataclass(frozen=True)
class SideContrast:
    """The two sides of the same scrolls compared: a paired t test."""

    defect: str
    basis: Basis
    n_clusters: int
    """Scrolls with letters on both sides that can have the defect."""
    difference: float
    """Mean over scrolls of the face's rate less the reverse's."""
    ci_low: float | None
    ci_high: float | None
    p_value: float | None
    p_value_holm: float | None


@dataclass(frozen=True)
class SurveyComparison:
    """All results of a survey: defects as given, sources sorted."""

    rates: tuple[DefectRate, ...]
    shares: tuple[ScrollShare, ...]
    contrasts: tuple[SourceContrast, ...]
    side_contrasts: tuple[SideContrast, ...]

"""What a survey finds, as plain records: rates, shares of scrolls, contrasts and pairs.

Rates, limits and differences are shares of letters from 0 to 1, never per cent. A source is named
as the caller names it, which should be a code (A, B, C).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Basis = Literal["read", "audited", "unaudited"]
"""On whose word a rate rests. `read`: a reader judged every letter that can have the defect;
`audited`: the network's word for all letters, corrected by letters drawn by chance and read;
`unaudited`: the network's word alone: the limits hold for what it marks, not for what is there."""

CONFIDENCE_LEVEL = 0.95
"""Confidence of every interval."""

MIN_SCROLLS_FOR_INTERVAL = 3
"""Fewer scrolls of a source give no interval and no contrast: nothing tells how scrolls vary."""

MIN_SCROLLS_WITHOUT_WARNING = 8
"""Fewer scrolls than this are said to be few beside every number."""


@dataclass(frozen=True)
class DefectRate:
    """How often a defect was found among the letters of one source that can have it."""

    defect: str
    letter: str
    """The one letter of the alphabet counted; empty for all that can have the defect."""
    source: str
    basis: Basis
    scrolls: int
    """Scrolls with letters that can have the defect: the independent units."""
    letters: int
    """Letters that can have it."""
    audited: int
    """Letters of them that a reader judged."""
    rate: float
    """Share of letters; 0 if the corrected estimate falls below."""
    se: float | None
    """Standard error by linearisation between scrolls; None with one scroll."""
    low: float | None
    high: float | None
    """The limits at `LEVEL`; None with fewer than `MIN_SCROLLS` scrolls."""
    design_effect: float | None
    """Variance over that of as many unlike letters as were judged; below 1 where the network's word
    saved more than likeness cost. None if not to be known."""
    likeness: float | None
    """Correlation of two letters of one scroll (intra-scroll correlation), at least 0."""
    note: str
    """Plain words of caution; empty if there is none."""


@dataclass(frozen=True)
class ScrollShare:
    """Of a source's scrolls, the share with at least one finding, by the tool's word alone."""

    defect: str
    """A defect's name, or `any`."""
    source: str
    scrolls: int
    with_finding: int
    share: float
    low: float | None
    high: float | None
    """Clopper-Pearson limits over scrolls; None with fewer than `MIN_SCROLLS`."""


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
    low: float | None
    high: float | None
    df: float | None
    """Degrees of freedom by Welch and Satterthwaite."""
    p: float | None
    """Two-sided; None where scrolls do not vary, where a source has fewer than `MIN_SCROLLS`, or
    where only one of the two was audited."""
    p_holm: float | None
    """Corrected over all defects and pairs of sources of the survey (Holm 1979), those on the
    network's word alone apart from the others."""


@dataclass(frozen=True)
class SideContrast:
    """The two sides of the same scrolls compared: a paired t test."""

    defect: str
    basis: Basis
    scrolls: int
    """Scrolls with letters on both sides that can have the defect."""
    difference: float
    """Mean over scrolls of the face's rate less the reverse's."""
    low: float | None
    high: float | None
    p: float | None
    p_holm: float | None


@dataclass(frozen=True)
class SurveyComparison:
    """All results of a survey: defects as given, sources sorted."""

    rates: tuple[DefectRate, ...]
    shares: tuple[ScrollShare, ...]
    contrasts: tuple[SourceContrast, ...]
    pairs: tuple[SideContrast, ...]

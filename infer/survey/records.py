"""What a survey finds, as plain records: rates, shares of scrolls, contrasts of sources and sides.

Each record is one row of a table in S/report, and its fields are that table's columns. Estimates,
limits and differences are shares of letters from 0 to 1, never per cent. A source is named as the
caller names it, which should be a code (A, B, C). A cluster is an independent unit: a scribe where
scribes are known, else a scroll. Every rate is the mean over clusters of each cluster's own rate.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Basis = Literal["read", "audited", "unaudited"]
"""What a rate rests on. `read`: a reader judged every letter that can have the defect; `audited`:
the network's answers for all letters, corrected by letters drawn at random and read; `unaudited`:
the network's answers alone, without limits or tests: no draw shows how far it errs."""

CONFIDENCE_LEVEL = 0.95
"""Of every interval."""

MIN_UNITS_FOR_INTERVAL = 3
"""Fewer units of a source give no interval and no contrast: nothing shows how units vary."""

MIN_UNITS_WITHOUT_WARNING = 8
"""Fewer units than this are called few beside every number."""


@dataclass(frozen=True)
class DefectRate:
    """How often a defect was found among the letters of one source that can have it."""

    defect: str
    letter: str
    """The one letter of the alphabet counted; empty for all that can have the defect."""
    source: str
    basis: Basis
    n_clusters: int
    """Independent units with letters that can have the defect; of an audited rate without those of
    which letters were drawn and none was answered."""
    n_scrolls: int
    """Scrolls with such letters."""
    n_letters: int
    """Letters that can have it."""
    n_audited: int
    """Letters of them that a reader judged."""
    estimate: float
    """Mean over clusters of their shares of letters; 0 if the corrected estimate falls below."""
    std_error: float | None
    """From the spread between clusters; None with one cluster, or unaudited."""
    ci_low: float | None
    ci_high: float | None
    """The limits at `CONFIDENCE_LEVEL`; None with fewer than `MIN_UNITS_FOR_INTERVAL` clusters,
    or unaudited."""
    design_effect: float | None
    """Variance over that of as many independent letters as were judged; below 1 where the network's
    answers saved more than the correlation within clusters cost. None where it is not defined."""
    icc: float | None
    """Correlation of two letters of one cluster (intra-cluster correlation), at least 0."""
    note: str
    """Plain words of caution; empty if there is none."""


@dataclass(frozen=True)
class ScrollShare:
    """Of a source's scrolls, the share with at least one finding, by the tool's answers alone."""

    defect: str
    """A defect's name, or `any`."""
    source: str
    n_scrolls: int
    """Scrolls of the source."""
    n_with_finding: int
    """Scrolls of them with at least one finding."""
    estimate: float
    """`n_with_finding` over `n_scrolls`. Without limits: it is the tool's word, unaudited."""


@dataclass(frozen=True)
class SourceContrast:
    """The difference of two sources in one defect: a permutation test on their clusters."""

    defect: str
    first: str
    second: str
    """A source, or `OTHERS` for all other sources together."""
    basis: Basis
    """The weaker basis of the two."""
    n_first: int
    n_second: int
    """Clusters of each."""
    difference: float
    """The first's rate less the second's, as the table of rates has them."""
    ci_low: float | None
    ci_high: float | None
    """Differences that the test does not refute."""
    p_value: float | None
    """Two-sided mid-p; None where there is no test, for the reason in `note`."""
    p_value_exact: float | None
    """Share of arrangements at least as far out."""
    p_value_holm: float | None
    """Corrected over all tests declared, or over all exploratory ones (Holm 1979, of the exact p
    values; a single test's `p_value` as it is)."""
    exploratory: bool
    """Whether the survey's design does not declare it."""
    note: str
    """Why there is no test; empty where there is one."""


OTHERS = "others"


@dataclass(frozen=True)
class SideContrast:
    """The two sides of the same clusters compared, by flipping signs of their differences."""

    defect: str
    basis: Basis
    n_clusters: int
    """Clusters with letters on both sides that can have the defect."""
    difference: float
    """Mean over clusters of the face's rate less the reverse's."""
    ci_low: float | None
    ci_high: float | None
    p_value: float | None
    p_value_exact: float | None
    p_value_holm: float | None


@dataclass(frozen=True)
class OmnibusTest:
    """Whether sources differ at all in one defect: a permutation test over all of them."""

    defect: str
    basis: Basis
    n_sources: int
    n_clusters: int
    between_sd: float
    """Standard deviation of the sources' true rates, by the method of moments."""
    p_value: float | None
    p_value_holm: float | None


@dataclass(frozen=True)
class ShrunkenRate:
    """A source's rate drawn towards the mean of all sources, the more the less is known of it."""

    defect: str
    source: str
    n_clusters: int
    estimate: float
    shrunken: float
    """Empirical Bayes estimate."""
    weight: float
    """Share of the source's own rate in it."""


@dataclass(frozen=True)
class SurveyComparison:
    """All results of a survey: defects as given, sources sorted."""

    rates: tuple[DefectRate, ...]
    shares: tuple[ScrollShare, ...]
    contrasts: tuple[SourceContrast, ...]
    side_contrasts: tuple[SideContrast, ...]
    omnibus: tuple[OmnibusTest, ...] = ()
    shrunken: tuple[ShrunkenRate, ...] = ()

"""The report's contents as plain records for its template."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from crownlet.infer.survey.evenness import Evenness
from crownlet.infer.survey.examples import Shown
from crownlet.infer.survey.plainly import Told
from crownlet.infer.survey.records import Comparison, Contrast, Rate, Share
from crownlet.infer.survey.sides import SourcePair


@dataclass(frozen=True)
class Embedded:
    """A figure as a data URI, with what it says for those who do not see it."""

    uri: str
    width: int
    height: int
    alt: str
    caption: str


@dataclass(frozen=True)
class Source:
    """A source by its code; `name` is empty unless names were asked for."""

    code: str
    name: str
    scrolls: int
    pages: int
    letters: int


@dataclass(frozen=True)
class PutInRow:
    """What a demonstration put in, beside what was estimated; shares of letters."""

    defect: str
    source: str
    set_to: float
    """Rate of the invented scribe."""
    written: float
    """Rate in the scrolls that were written."""
    network: float
    """The network's mean probability, before the audit corrects it."""
    rate: Rate

    @property
    def holds(self) -> str:
        """Whether the interval holds the rate that was set."""
        if self.rate.low is None or self.rate.high is None:
            return ""
        return "yes" if self.rate.low <= self.set_to <= self.rate.high else "no"


@dataclass(frozen=True)
class PutIn:
    """The last section of a demonstration's report."""

    says: tuple[str, ...]
    rows: tuple[PutInRow, ...]


@dataclass(frozen=True)
class View:
    """Everything the template shows."""

    title: str
    lead: str
    opening: tuple[str, ...]
    """Boxed sentences at the very top: names asked for, a demonstration."""
    told: Sequence[Told]
    left_out: str
    naming: str
    cautions: tuple[str, ...]
    names: bool
    sources: tuple[Source, ...]
    audited: str
    notes: tuple[str, ...]
    results: Comparison
    tests: str
    tested: tuple[Contrast, ...]
    untested: str
    shares: tuple[Share, ...]
    sides: str
    source_pairs: tuple[SourcePair, ...]
    forest: Embedded | None
    letters: tuple[Embedded, ...]
    evenness: tuple[Evenness, ...]
    examples: tuple[Shown, ...]
    lots: str
    put_in: PutIn | None
    methods: tuple[str, ...]
    limits: tuple[str, ...]
    versions: tuple[tuple[str, str], ...]

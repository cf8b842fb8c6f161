"""The report's contents as plain records for its template, and its figures as SVG and PNG."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from matplotlib.figure import Figure

from crownlet.infer.survey.audit_section import AuditSection
from crownlet.infer.survey.by_source import SourceEvenness, SourceSideContrast
from crownlet.infer.survey.compare import MAX_SOURCES_FOR_PAIRS
from crownlet.infer.survey.examples import ExampleSet
from crownlet.infer.survey.figures import draw_by_letter, draw_forest, save_figure
from crownlet.infer.survey.figures_many import draw_funnel, draw_ranked
from crownlet.infer.survey.habits import HabitComparison
from crownlet.infer.survey.narrative import DefectSummary, describe_letters
from crownlet.infer.survey.over_time import RatesOverTime
from crownlet.infer.survey.provenance import Provenance
from crownlet.infer.survey.records import DefectRate, ScrollShare, SourceContrast, SurveyComparison
from crownlet.infer.view.wording import defect_words


@dataclass(frozen=True)
class EmbeddedFigure:
    """A figure as a data URI, with a text for those who do not see it."""

    uri: str
    width: int
    height: int
    alt: str
    caption: str


@dataclass(frozen=True)
class SourceRow:
    """A source by its code; `name` is empty unless names were asked for."""

    code: str
    name: str
    scrolls: int
    pages: int
    letters: int


@dataclass(frozen=True)
class TrueRateRow:
    """The true rate of a demonstration beside the estimated one; shares of letters."""

    defect: str
    source: str
    expected: float
    """Rate of the invented scribe over many scrolls."""
    written: float
    """Rate in the scrolls that were written."""
    network: float
    """The network's mean probability, before the audit corrects it."""
    rate: DefectRate

    @property
    def covered(self) -> str:
        """Whether the interval holds the expected rate, `yes` or `no`; empty without interval."""
        if self.rate.ci_low is None or self.rate.ci_high is None:
            return ""
        return "yes" if self.rate.ci_low <= self.expected <= self.rate.ci_high else "no"


@dataclass(frozen=True)
class DemoTruth:
    """The last section of a demonstration's report."""

    sentences: tuple[str, ...]
    rows: tuple[TrueRateRow, ...]


@dataclass(frozen=True)
class ReportView:
    """Everything the template shows."""

    title: str
    tables: tuple[str, ...]
    """Names of the tables beside the page, the last of which says what their columns hold."""
    lead: str
    unit: str
    """What the independent units are called: `scribe` or `scroll`."""
    least_units: int
    """Units of a source of which readers' answers count."""
    verdicts: tuple[str, ...]
    """What the survey shows, in a minute."""
    opening: tuple[str, ...]
    """Boxed sentences at the very top: names asked for, a demonstration."""
    summaries: Sequence[DefectSummary]
    left_out: str
    naming_caution: str
    cautions: tuple[str, ...]
    names: bool
    sources: tuple[SourceRow, ...]
    audit: str
    audit_section: AuditSection
    over_time: RatesOverTime
    notes: tuple[str, ...]
    results: SurveyComparison
    tests_note: str
    tested: tuple[SourceContrast, ...]
    untested: tuple[str, ...]
    shown_rates: tuple[DefectRate, ...]
    """Rates in the page's table: all of few sources, of many those of the defects described."""
    shares: tuple[ScrollShare, ...]
    sides_note: str
    source_side_contrasts: tuple[SourceSideContrast, ...]
    forest: EmbeddedFigure | None
    funnel: EmbeddedFigure | None
    letter_figures: tuple[EmbeddedFigure, ...]
    habits: HabitComparison
    evenness: tuple[SourceEvenness, ...]
    examples: tuple[ExampleSet, ...]
    examples_note: str
    truth: DemoTruth | None
    methods: tuple[str, ...]
    limitations: tuple[str, ...]
    provenance: Provenance


MAX_DEFECTS_BY_LETTER = 4
"""Most defects shown letter by letter."""

MIN_RATE_IN_FOREST = 0.0005
"""Defects rarer than this in every source are left out of the forest; the tables hold them."""

CSS_PX_PER_INCH = 96


def embed_forest(rates: Sequence[DefectRate], out: Path) -> EmbeddedFigure | None:
    """The rates of all but the rarest defects; None where there is nothing to draw."""
    shown = {rate.defect for rate in rates if rate.estimate >= MIN_RATE_IN_FOREST}
    highest = {d: max(rate.estimate for rate in rates if rate.defect == d) for d in shown}
    drawn = sorted(
        (rate for rate in rates if rate.defect in shown),
        key=lambda rate: (-highest[rate.defect], rate.defect, rate.source),
    )
    if not drawn:
        return None
    names = {defect: defect_words(defect) for defect in shown}
    if len({rate.source for rate in drawn}) > MAX_SOURCES_FOR_PAIRS:
        caption = (
            "The commonest kinds, sources from the highest rate to the lowest. The line through a "
            "mark is its 95% interval; hollow marks are unaudited. Sources whose lines overlap may "
            "well be alike, and some are first and last by chance alone."
        )
        figure = draw_ranked(drawn, names)
        return _embed(figure, out / "forest", "Rates of the commonest findings by source", caption)
    caption = (
        "The commonest first. Each mark is a rate, the line through it its 95% interval; the "
        "wider, the less is known. The scale is drawn out at its lower end. Kinds that are all "
        "but absent are left out."
    )
    return _embed(
        draw_forest(drawn, names), out / "forest", "Rates of each finding by source", caption
    )


def embed_funnel(
    results: SurveyComparison, defects: Sequence[str], word: str, out: Path
) -> EmbeddedFigure | None:
    """The rates of many sources against their units; None for few sources."""
    rows = [row for defect in defects for row in results.shrunken if row.defect == defect]
    if not rows:
        for old in out.glob("funnel.*"):
            old.unlink()
        return None
    # The squared standard error times units is the variance between units of one source.
    errors = {
        defect: [
            (rate.std_error**2 * rate.n_clusters, rate.n_clusters - 1)
            for rate in results.rates
            if rate.defect == defect and rate.std_error is not None
        ]
        for defect in defects
    }
    variances = {
        defect: sum(v * df for v, df in own) / max(sum(df for _, df in own), 1)
        for defect, own in errors.items()
    }
    figure = draw_funnel(rows, variances, {d: defect_words(d) for d in defects}, word)
    caption = (
        f"Each dot is a source by its number of {word}s. The band holds 19 of 20 sources if all "
        "are alike; those outside are named. The dash is the rate drawn towards the mean by how "
        "little is known of the source: a better guess of a new scroll than its own rate."
    )
    return _embed(figure, out / "funnel", "Rates of sources against their number", caption)


def embed_letter_figures(
    rates: Sequence[DefectRate], defects: Sequence[str], out: Path
) -> tuple[EmbeddedFigure, ...]:
    """The first few of `defects`, letter by letter; a defect of one letter needs no such picture.

    Figures of an earlier report are deleted, so that none is left with other numbers, once the new
    ones are there: a command that is stopped on the way loses none.
    """
    made: dict[str, EmbeddedFigure] = {}
    for defect in defects:
        own = [rate for rate in rates if rate.defect == defect]
        if len({rate.letter for rate in own}) > 1 and len(made) < MAX_DEFECTS_BY_LETTER:
            figure = draw_by_letter(own, defect_words(defect))
            letters = describe_letters(defect)
            caption = f"Share of the {letters} on which it stands, letter by letter."
            alt = f"Rates of {defect_words(defect)} by letter and source"
            name = f"letters-{defect}"
            made[name] = _embed(figure, out / name, alt, caption)
    for old in sorted(out.glob("letters-*.*g")):
        if old.stem not in made:
            old.unlink()
    return tuple(made.values())


def _embed(figure: Figure, path: Path, alt: str, caption: str) -> EmbeddedFigure:
    save_figure(figure, path)
    data = base64.b64encode(path.with_suffix(".svg").read_bytes()).decode("ascii")
    width, height = (round(inches * CSS_PX_PER_INCH) for inches in figure.get_size_inches())
    return EmbeddedFigure(f"data:image/svg+xml;base64,{data}", width, height, alt, caption)

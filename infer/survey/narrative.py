"""What a survey found in plain words, for readers without statistics; nothing here judges.

Sentences of single defects, and those that stand beside the report's tables.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.infer.survey.data import SurveyData
from crownlet.infer.survey.records import (
    CONFIDENCE_LEVEL,
    MIN_UNITS_FOR_INTERVAL,
    OTHERS,
    DefectRate,
    ScrollShare,
    SideContrast,
    SourceContrast,
    SurveyComparison,
)
from crownlet.infer.view.wording import (
    count_per,
    defect_words,
    format_interval,
    format_percent,
    join_words,
    latin_name,
    letters_per_unit,
)

MAX_ADJUSTED_P = 1 - CONFIDENCE_LEVEL
"""Two sources are reported to differ where the corrected p is below it."""

MAX_DIFFERENCES_TO_DESCRIBE, MAX_OPEN_DEFECTS_TO_DESCRIBE = 6, 4
"""Most defects of each kind that are put into words; the tables hold them all."""

MIN_RATE_TO_DESCRIBE = 0.002
"""Rarer defects (one letter in 500) are left to the tables unless sources are shown to differ."""

MAX_LETTERS_TO_NAME = 6
"""A defect of more letters of the alphabet is described without their names."""

MAX_SOURCES_TO_LIST = 6
"""Of more sources the text names only the least and the greatest rate."""

RateOrContrast = TypeVar("RateOrContrast", DefectRate, SourceContrast)


@dataclass(frozen=True)
class DefectSummary:
    """One defect in words."""

    defect: str
    title: str
    sentences: tuple[str, ...]
    differs: bool
    """Whether sources are shown to differ; if not, the question is open."""


def summarise_defects(results: SurveyComparison, word: str) -> tuple[DefectSummary, ...]:
    """The plainest differences first, then the commonest defects that leave the question open.

    Where anything was audited, what no reader checked is left to the tables. `word` names the
    independent units, `scribe` or `scroll`.
    """
    checked = {rate.defect for rate in results.rates if rate.basis != "unaudited"}
    shown = checked or {rate.defect for rate in results.rates}
    rates = _group_by_defect(rate for rate in results.rates if rate.defect in shown)
    contrasts = _group_by_defect(results.contrasts)
    different = sorted(
        (d for d in rates if any(map(is_significant, contrasts[d]))),
        key=lambda d: _smallest_p(contrasts[d]),
    )
    others = sorted(
        set(rates) - set(different), key=lambda d: (-max(r.estimate for r in rates[d]), d)
    )
    frequent = [d for d in others if any(_is_frequent(rate) for rate in rates[d])]
    return tuple(
        DefectSummary(
            d, defect_words(d), _sentences(d, rates[d], contrasts[d], word), d in different
        )
        for d in (
            *different[:MAX_DIFFERENCES_TO_DESCRIBE],
            *frequent[:MAX_OPEN_DEFECTS_TO_DESCRIBE],
        )
    )


def describe_left_out(results: SurveyComparison, shown: Sequence[DefectSummary]) -> str:
    """The defects that are only in the tables; empty if there is none."""
    others = {rate.defect for rate in results.rates} - {summary.defect for summary in shown}
    if not others:
        return ""
    many, stand = f"{len(others)} further kinds", "stand"
    if len(others) == 1:
        many, stand = "One further kind", "stands"
    lines = [f"{many} of finding {stand} in the tables."]
    tested = [c for c in results.contrasts if c.p_value is not None and c.defect in others]
    different = {defect_words(c.defect) for c in tested if is_significant(c)}
    if different:
        lines.append(f"Among them sources differ in {join_words(sorted(different))}.")
    elif tested:
        lines.append("In none could the survey tell sources apart, which shows no likeness.")
    unaudited = others - {rate.defect for rate in results.rates if rate.basis != "unaudited"}
    if unaudited:
        which = f"{len(unaudited)} of them"
        if unaudited == others:
            which = "it" if len(others) == 1 else "any of them"
        lines.append(f"Nothing is claimed of sources in {which}: readers did not check enough.")
    return " ".join(lines)


def describe_letters(defect: str) -> str:
    """Which letters are counted for a defect, as it stands after "of 100"."""
    if defect == "tag_missing":
        return "letters that should carry crowns"
    if defect.startswith("tag_") and defect != "tag_excess":
        return "letters with crowns"
    letters = CATALOGUE[defect].letters if defect in CATALOGUE else ""
    if 0 < len(letters) <= MAX_LETTERS_TO_NAME:
        return f"letters that can have it ({', '.join(latin_name(c) for c in letters)})"
    return "letters that can have it"


def describe_contrast(contrast: SourceContrast) -> str:
    """What one comparison shows, for its row in the table."""
    if contrast.p_value_holm is None:
        return "not tested"
    if not is_significant(contrast):
        return "cannot tell"
    more, less = order_sources(contrast)
    return f"more on {more} than on {less}"


def order_sources(contrast: SourceContrast) -> tuple[str, str]:
    """The source with more first; the others together as "the others"."""
    names = ["the others" if name == OTHERS else name for name in (contrast.first, contrast.second)]
    return (names[0], names[1]) if contrast.difference > 0 else (names[1], names[0])


def describe_survey(survey: SurveyData) -> str:
    """What was compared, in one sentence."""
    sources, letters = len(survey.arrays.sources), len(survey.page)
    many = f"{sources} sources" if sources > 1 else "one source"
    return (
        f"{len(survey.scrolls):,} scrolls of {many}, {letters:,} letters: how often each kind of "
        "finding stands on them, how sure that is, and whether the sources differ."
    )


def describe_audit(survey: SurveyData) -> str:
    """How far the audit has come."""
    audit = survey.audit
    if not audit.drawn:
        return "No letters were drawn for an audit: every rate here is the network's word alone."
    done = f"{audit.decided:,} of {audit.drawn:,} questions are answered"
    more = f", {audit.cannot_tell:,} more could not be" if audit.cannot_tell else ""
    return f"Audit: {done}{more}."


def describe_tests(results: SurveyComparison, word: str) -> str:
    """How many comparisons were made, and what their p values mean; `word` names the units."""
    made = [c for c in results.contrasts if c.p_value is not None]
    if not made:
        return (
            "No two sources are compared: that asks for letters that a reader checked, and for "
            f"enough {word}s of each that are not all alike."
        )
    count = "One comparison was" if len(made) == 1 else f"{len(made):,} comparisons were"
    exploratory = sum(c.exploratory for c in made)
    text = (
        f"{count} made, each {word} counting once; difference and test are of the same rates as "
        f"above. p is how often so great a difference would come about if the {word}s were dealt "
        "out to the sources by chance; among many, some are small by chance. Only the corrected p "
        f"speaks for all of them together: below {MAX_ADJUSTED_P:.2f} the survey says that two "
        "sources differ. Low and high are not corrected."
    )
    if exploratory == len(made):
        return text + " None counts as declared beforehand: all are exploratory."
    return text + (f" {exploratory:,} are exploratory, corrected apart." if exploratory else "")


def list_tested(results: SurveyComparison) -> tuple[SourceContrast, ...]:
    """The comparisons made: those declared, smallest p first, then the exploratory ones."""
    made = [c for c in results.contrasts if c.p_value_holm is not None]
    smallest: dict[str, float] = {}
    for c in made:
        smallest[c.defect] = min(c.p_value or 0.0, smallest.get(c.defect, 1.0))

    def order(c: SourceContrast) -> tuple[bool, float, str]:
        return c.exploratory, smallest[c.defect], c.defect

    return tuple(sorted(made, key=order))


def describe_untested(results: SurveyComparison) -> tuple[str, ...]:
    """Which comparisons were not made, one sentence for each reason."""
    kinds: dict[str, dict[str, list[str]]] = {}
    for c in results.contrasts:
        if c.p_value is None:
            of_reason = kinds.setdefault(c.note, {})
            of_reason.setdefault(defect_words(c.defect), []).append(f"{c.first} with {c.second}")
    every = len(results.contrasts) // max(len({c.defect for c in results.contrasts}), 1)
    lines = []
    for reason, held in kinds.items():
        listed = ", ".join(
            kind if len(pairs) >= every else f"{kind} ({', '.join(pairs)})"
            for kind, pairs in held.items()
        )
        lines.append(f"Not compared ({reason}): {listed}.")
    return tuple(lines)


def list_shares(results: SurveyComparison) -> tuple[ScrollShare, ...]:
    """Shares of scrolls, without the kinds that were found nowhere."""
    seen = {share.defect for share in results.shares if share.n_with_finding}
    return tuple(s for s in results.shares if s.defect in seen or s.defect == "any")


def describe_sides(results: SurveyComparison, word: str) -> str:
    """What the two sides of the same scrolls show, all sources together; `word` names the units."""
    words = [
        f"{defect_words(c.defect)} is {'commoner' if c.difference > 0 else 'rarer'} on the face "
        f"(by {format_percent(abs(c.difference))} of its letters; "
        f"{format_interval(c.ci_low, c.ci_high)})"
        for c in results.side_contrasts
        if is_significant(c)
    ]
    tested = any(c.p_value is not None for c in results.side_contrasts)
    result = "No difference between the sides was shown." if tested else "Nothing was tested."
    if words:
        result = f"Here {join_words(words)}."
    return (
        "The two sides of the same scrolls, all sources together, each against itself: the rate "
        f"on the face less that on the reverse. {result} A reverse has few letters, and many "
        "kinds can hardly stand on it. A kind is tested where readers checked it on both sides, "
        f"each on {MIN_UNITS_FOR_INTERVAL} {word}s at least."
    )


def describe_example_draw(seed: int) -> str:
    """How the example letters were chosen."""
    return (
        f"Neither the worst nor the best: these letters were drawn by lot (seed {seed}), the first "
        "rows among all letters of a source, the others among those that the tool marked. What is "
        "marked may not be there. The letter meant stands in the middle; letters of the Divine "
        "Name are not drawn, and lie under plates where they stand beside one."
    )


def _sentences(
    defect: str, rates: Sequence[DefectRate], contrasts: Sequence[SourceContrast], word: str
) -> tuple[str, ...]:
    lines = _describe_contrasts(contrasts, rates, word)
    return tuple(filter(None, (_describe_rates(defect, rates), *lines)))


def _describe_rates(defect: str, rates: Sequence[DefectRate]) -> str:
    """The network's answers alone are never presented as what is there."""
    many = letters_per_unit(rate.estimate for rate in rates)
    if len(rates) > MAX_SOURCES_TO_LIST:
        return _describe_range(defect, rates, many)
    has = "lacks them on" if defect == "tag_missing" else "has it on"
    checked = [(r.source, _describe_rate(many, r)) for r in rates if r.basis != "unaudited"]
    unaudited = [
        f"{count_per(many, r.estimate)} on {r.source}" for r in rates if r.basis == "unaudited"
    ]
    parts = []
    if checked:
        parts.append(
            join_words(
                f"{code} {has if k == 0 else 'on'} {number}"
                for k, (code, number) in enumerate(checked)
            )
        )
    if unaudited:
        parts.append(f"the network, unaudited, expects {join_words(unaudited)}")
    return f"Of {many:,} {describe_letters(defect)}, {'; '.join(parts)}."


def _describe_range(defect: str, rates: Sequence[DefectRate], many: int) -> str:
    """The least and the greatest rate of many sources."""
    checked = [r for r in rates if r.basis != "unaudited"] or list(rates)
    low, high = (f(checked, key=lambda r: r.estimate) for f in (min, max))
    who = "" if checked[0].basis != "unaudited" else "the network, unaudited, expects "
    return (
        f"Of {many:,} {describe_letters(defect)}, {who}from {_describe_rate(many, low)} on "
        f"{low.source} to {_describe_rate(many, high)} on {high.source}."
    )


def _describe_rate(many: int, rate: DefectRate) -> str:
    """`3 (1 to 8)`."""
    number = count_per(many, rate.estimate) if rate.estimate > 0 else "none"
    if rate.ci_low is None or rate.ci_high is None:
        return number if rate.basis == "unaudited" else f"{number} (no interval)"
    return f"{number} ({count_per(many, rate.ci_low)} to {count_per(many, rate.ci_high)})"


def _describe_contrasts(
    contrasts: Sequence[SourceContrast], rates: Sequence[DefectRate], word: str
) -> list[str]:
    tested = [c for c in contrasts if c.p_value_holm is not None]
    lines = [_describe_difference(c) for c in tested if is_significant(c)]
    undecided = [c for c in tested if not is_significant(c)]
    if undecided:
        lines.append(_describe_open(undecided, rates, len(undecided) == len(contrasts), word))
    untested = [c for c in contrasts if c.p_value_holm is None]
    reasons = list(dict.fromkeys(c.note for c in untested))
    if untested and len(untested) < len(contrasts):
        pairs = join_words(f"{c.first} with {c.second}" for c in untested)
        lines.append(f"{pairs}: not compared ({'; '.join(reasons)}).")
    elif untested:
        lines.append(f"Sources are not compared here: {'; '.join(reasons)}.")
    return lines


def _describe_difference(contrast: SourceContrast) -> str:
    low, high = sorted((abs(contrast.ci_low or 0.0), abs(contrast.ci_high or 0.0)))
    more, less = order_sources(contrast)
    many = letters_per_unit([contrast.difference])
    return (
        f"It is commoner on {more} than on {less}, by {count_per(many, low)} to "
        f"{count_per(many, high)} letters in {many:,}."
    )


def _describe_open(
    contrasts: Sequence[SourceContrast], rates: Sequence[DefectRate], every: bool, word: str
) -> str:
    compared = {name for c in contrasts for name in (c.first, c.second)}
    counts = sorted({r.n_clusters for r in rates if OTHERS in compared or r.source in compared})
    many = f"{counts[0]}" if len(counts) == 1 else f"{counts[0]} to {counts[-1]}"
    pairs = ", or ".join(f"{c.first} from {c.second}" for c in contrasts)
    which = f"{pairs.replace(' from ', ' differs from ', 1)}"
    if every and len(contrasts) > 1:
        which = "any of them differ"
    elif len(contrasts) > MAX_SOURCES_TO_LIST:
        which = "the others differ"
    return f"With {many} {word}s a source the survey cannot tell whether {which}."


def is_significant(contrast: SourceContrast | SideContrast) -> bool:
    """Whether the corrected p value says that two sources or sides differ."""
    return contrast.p_value_holm is not None and contrast.p_value_holm < MAX_ADJUSTED_P


def _smallest_p(contrasts: Iterable[SourceContrast]) -> tuple[float, str]:
    return min((c.p_value_holm, c.defect) for c in contrasts if c.p_value_holm is not None)


def _is_frequent(rate: DefectRate) -> bool:
    return rate.estimate >= MIN_RATE_TO_DESCRIBE


def _group_by_defect(rows: Iterable[RateOrContrast]) -> defaultdict[str, list[RateOrContrast]]:
    held: defaultdict[str, list[RateOrContrast]] = defaultdict(list)
    for row in rows:
        held[row.defect].append(row)
    return held

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
    MIN_SCROLLS_FOR_INTERVAL,
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

RateOrContrast = TypeVar("RateOrContrast", DefectRate, SourceContrast)


@dataclass(frozen=True)
class DefectSummary:
    """One defect in words."""

    defect: str
    title: str
    sentences: tuple[str, ...]
    differs: bool
    """Whether sources are shown to differ; if not, the question is open."""


def summarise_defects(results: SurveyComparison) -> tuple[DefectSummary, ...]:
    """The plainest differences first, then the commonest defects that leave the question open.

    Where anything was audited, what no reader checked is left to the tables.
    """
    checked = {rate.defect for rate in results.rates if rate.basis != "unaudited"}
    shown = checked or {rate.defect for rate in results.rates}
    rates = _group_by_defect(rate for rate in results.rates if rate.defect in shown)
    contrasts = _group_by_defect(results.contrasts)
    different = sorted(
        (d for d in rates if _differs(contrasts[d], rates[d])),
        key=lambda d: _smallest_p(contrasts[d]),
    )
    others = sorted(
        set(rates) - set(different), key=lambda d: (-max(r.estimate for r in rates[d]), d)
    )
    frequent = [d for d in others if any(_is_frequent(rate) for rate in rates[d])]
    return tuple(
        DefectSummary(d, defect_words(d), _sentences(d, rates[d], contrasts[d]), d in different)
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
    many = f"{len(others)} further kinds" if len(others) > 1 else "One further kind"
    lines = [f"{many} of finding stand in the tables."]
    different = [c for c in results.contrasts if _is_significant(c) and c.defect in others]
    unaudited = {defect_words(c.defect) for c in different if c.basis == "unaudited"}
    checked = {defect_words(c.defect) for c in different if c.basis != "unaudited"}
    if checked:
        lines.append(f"Among them sources differ in {join_words(sorted(checked))}.")
    if unaudited:
        lines.append(
            f"In {join_words(sorted(unaudited))} the network's word differs between sources; "
            "no reader has checked it, and the difference may lie in hand or picture and not in "
            "faults."
        )
    if not different:
        lines.append("In none could the survey tell sources apart, which shows no likeness.")
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
    if contrast.p_value_holm is None or contrast.ci_low is None or contrast.ci_high is None:
        return "not tested"
    more, less = contrast.first, contrast.second
    if contrast.difference < 0:
        more, less = less, more
    if not _is_significant(contrast):
        return "cannot tell"
    if contrast.basis == "unaudited":
        return f"network: more on {more} than on {less}"
    return f"more on {more} than on {less}"


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
    done = f"{audit.decided:,} of {audit.drawn:,} questions drawn by lot are answered"
    more = f", {audit.cannot_tell:,} more could not be" if audit.cannot_tell else ""
    return f"Audit: {done}{more}."


def describe_tests(results: SurveyComparison) -> str:
    """How many comparisons were made, and what their p values mean."""
    made = sum(c.p_value is not None for c in results.contrasts)
    if not made:
        return (
            f"No two sources can be compared: that asks for {MIN_SCROLLS_FOR_INTERVAL} scrolls of "
            "each that are not all alike."
        )
    return (
        f"{made:,} comparisons were made, scroll by scroll, each scroll counting once, so that a "
        "difference may be a little other than that of two rates above. p is how often so great a "
        "difference would come about if the sources were alike; among so many, some are small by "
        "chance. Only the corrected p speaks for all of them together (what no reader checked is "
        f"corrected apart): below {MAX_ADJUSTED_P:.2f} the survey says that two sources differ. "
        "Low and high are not corrected."
    )


def list_tested(results: SurveyComparison) -> tuple[SourceContrast, ...]:
    """The comparisons made: those that a reader checked, smallest p first, then the others."""
    made = [c for c in results.contrasts if c.p_value_holm is not None]
    smallest: dict[str, float] = {}
    for c in made:
        smallest[c.defect] = min(c.p_value or 0.0, smallest.get(c.defect, 1.0))

    def order(c: SourceContrast) -> tuple[bool, float, str]:
        return c.basis == "unaudited", smallest[c.defect], c.defect

    return tuple(sorted(made, key=order))


def describe_untested(results: SurveyComparison) -> str:
    """Which comparisons could not be made; empty if all could."""
    kinds: dict[str, list[str]] = {}
    for c in results.contrasts:
        if c.p_value_holm is None:
            kinds.setdefault(defect_words(c.defect), []).append(f"{c.first} with {c.second}")
    if not kinds:
        return ""
    every = len(results.contrasts) // len({c.defect for c in results.contrasts})
    listed = ", ".join(
        kind if len(pairs) >= every else f"{kind} ({', '.join(pairs)})"
        for kind, pairs in kinds.items()
    )
    return (
        "Not compared, for want of scrolls, since no scroll differs from its fellows, or since "
        f"only one of two sources was audited: {listed}."
    )


def list_shares(results: SurveyComparison) -> tuple[ScrollShare, ...]:
    """Shares of scrolls, without the kinds that were found nowhere."""
    seen = {share.defect for share in results.shares if share.n_with_finding}
    return tuple(s for s in results.shares if s.defect in seen or s.defect == "any")


def describe_sides(results: SurveyComparison) -> str:
    """What the two sides of the same scrolls show, all sources together."""
    different = [c for c in results.side_contrasts if _is_significant(c)]
    checked = [c for c in different if c.basis != "unaudited"]
    unaudited = len(different) - len(checked)
    words = [
        f"{defect_words(c.defect)} is {'commoner' if c.difference > 0 else 'rarer'} on the face "
        f"(by {format_percent(abs(c.difference))} of its letters; "
        f"{format_interval(c.ci_low, c.ci_high)})"
        for c in checked
    ]
    result = f"Here {join_words(words)}." if words else "No difference between the sides was shown."
    if unaudited:
        kinds = f"{unaudited} kinds" if unaudited > 1 else "one kind"
        result += f" In {kinds} the network's word differs, which no reader has checked."
    return (
        "The two sides of the same scrolls, all sources together, scroll against itself: the rate "
        f"on the face less that on the reverse. {result} A reverse has few letters, and many "
        "kinds can hardly stand on it."
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
    defect: str, rates: Sequence[DefectRate], contrasts: Sequence[SourceContrast]
) -> tuple[str, ...]:
    return tuple(
        filter(None, (_describe_rates(defect, rates), *_describe_contrasts(contrasts, rates)))
    )


def _describe_rates(defect: str, rates: Sequence[DefectRate]) -> str:
    """The network's answers alone are never presented as what is there."""
    many = letters_per_unit(rate.estimate for rate in rates)
    has = "lacks them on" if defect == "tag_missing" else "has it on"
    checked = [(r.source, _describe_rate(many, r)) for r in rates if r.basis != "unaudited"]
    unaudited = [
        f"{_describe_rate(many, r)} on {r.source}" for r in rates if r.basis == "unaudited"
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


def _describe_rate(many: int, rate: DefectRate) -> str:
    """`3 (1 to 8)`."""
    number = count_per(many, rate.estimate) if rate.estimate > 0 else "none"
    if rate.ci_low is None or rate.ci_high is None:
        return f"{number} (no interval)"
    return f"{number} ({count_per(many, rate.ci_low)} to {count_per(many, rate.ci_high)})"


def _describe_contrasts(
    contrasts: Sequence[SourceContrast], rates: Sequence[DefectRate]
) -> list[str]:
    tested = [c for c in contrasts if c.p_value_holm is not None]
    lines = [_describe_difference(c) for c in tested if _is_significant(c)]
    undecided = [c for c in tested if not _is_significant(c)]
    if undecided:
        lines.append(_describe_open(undecided, rates, len(undecided) == len(contrasts)))
    untested = [c for c in contrasts if c.p_value_holm is None]
    if untested and len(untested) < len(contrasts):
        pairs = join_words(f"{c.first} with {c.second}" for c in untested)
        lines.append(f"{pairs}: not to be compared here.")
    elif untested:
        lines.append("Sources cannot be compared here: too few scrolls, or none that varies.")
    return lines


def _describe_difference(contrast: SourceContrast) -> str:
    low, high = sorted((abs(contrast.ci_low or 0.0), abs(contrast.ci_high or 0.0)))
    more, less = contrast.first, contrast.second
    if contrast.difference < 0:
        more, less = less, more
    many = letters_per_unit([contrast.difference])
    margin = f"by {count_per(many, low)} to {count_per(many, high)} letters in {many:,}"
    if contrast.basis == "unaudited":
        return (
            f"The network expects more on {more} than on {less}, {margin}; "
            "whether they are there no reader has checked."
        )
    return f"Scrolls of {more} have it more often than those of {less}, {margin}."


def _describe_open(
    contrasts: Sequence[SourceContrast], rates: Sequence[DefectRate], every: bool
) -> str:
    scrolls = sorted({r.n_clusters for r in rates})
    many = f"{scrolls[0]}" if len(scrolls) == 1 else f"{scrolls[0]} to {scrolls[-1]}"
    pairs = ", or ".join(f"{c.first} from {c.second}" for c in contrasts)
    which = f"{pairs.replace(' from ', ' differs from ', 1)}"
    if every and len(contrasts) > 1:
        which = "any of them differ"
    return f"With these {many} scrolls a source the survey cannot tell whether {which}."


def _differs(contrasts: Iterable[SourceContrast], rates: Iterable[DefectRate]) -> bool:
    """Whether sources differ, and not by the network alone on a defect that it hardly finds."""
    different = [contrast for contrast in contrasts if _is_significant(contrast)]
    audited = any(contrast.basis != "unaudited" for contrast in different)
    return audited or (bool(different) and any(_is_frequent(rate) for rate in rates))


def _is_significant(contrast: SourceContrast | SideContrast) -> bool:
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

"""What the survey shows, in a few sentences for someone who reads nothing else.

No sentence claims more than a corrected test supports: where none does, the page says that nothing
is known, not that sources are alike; where no reader checked letters, it says so first.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence

from crownlet.infer.survey.bounds import BoundedContrast
from crownlet.infer.survey.confounding import Confounding
from crownlet.infer.survey.data import SurveyData
from crownlet.infer.survey.narrative import MAX_ADJUSTED_P, is_significant, order_sources
from crownlet.infer.survey.records import SourceContrast, SurveyComparison
from crownlet.infer.view.wording import (
    count_of,
    count_per,
    defect_words,
    join_words,
    letters_per_unit,
)

MAX_VERDICTS = 4
"""Defects in which sources differ that are named at the top; the others follow below."""


def list_verdicts(
    survey: SurveyData,
    results: SurveyComparison,
    confounding: Confounding,
    bounded: Sequence[BoundedContrast] = (),
) -> tuple[str, ...]:
    """The sentences in the order in which they are read; `bounded` of `bound_differences`."""
    word = survey.arrays.unit_word
    tested = [c for c in results.contrasts if c.p_value is not None]
    different = sorted(
        (c for c in tested if is_significant(c)), key=lambda c: (c.exploratory, c.p_value or 0.0)
    )
    defects = list(dict.fromkeys(c.defect for c in different))
    lines = [*confounding.warnings, *_describe_result(results, tested, defects)]
    for defect in defects[:MAX_VERDICTS]:
        own = [c for c in different if c.defect == defect]
        line = _describe_differences(own, word, mark=not all(c.exploratory for c in tested))
        lines.append(line + _describe_missing(own, bounded))
    if len(defects) > MAX_VERDICTS:
        lines.append(f"Sources differ in {len(defects) - MAX_VERDICTS} further kinds, see below.")
    if any(c.exploratory for c in different):
        lines.append(
            f"{_describe_undeclared(survey)}: take a difference as a question for new scrolls, not "
            "as an answer."
            if all(c.exploratory for c in tested)
            else "Marked *: not declared beforehand; a question for new scrolls, not an answer."
        )
    lines += _describe_omnibus(results)
    lines += filter(
        None,
        (
            _describe_open(tested, different), _describe_unmade(results, tested),
            *_describe_unchecked(survey, results),
        ),
    )  # fmt: skip
    return (*lines, describe_units(survey))


def _describe_undeclared(survey: SurveyData) -> str:
    if survey.designs_differ:
        return "The merged surveys do not share one design"
    if survey.design is None:
        return "Nobody declared beforehand what would be compared"
    return "What was declared beforehand was changed afterwards"


def _describe_result(
    results: SurveyComparison, tested: Sequence[SourceContrast], different: Sequence[str]
) -> list[str]:
    """In how many kinds sources are shown to differ; nothing for one kind, or without a test."""
    kinds = len({rate.defect for rate in results.rates})
    if not tested or kinds == 1:
        return []
    shown = len(different) or "none"
    return [f"Of {count_of(kinds, 'kind')} of finding, sources are shown to differ in {shown}."]


def describe_units(survey: SurveyData) -> str:
    """What counts as independent, and what that assumes."""
    arrays = survey.arrays
    known = sum(bool(code) for code in arrays.scribe_of.tolist())
    units, scrolls = len(set(arrays.unit_of.tolist())), len(arrays.scribe_of)
    if not known:
        return (
            "Scribes not known: limits assume one a scroll, and are too narrow if one wrote "
            "several."
        )
    text = f"{count_of(scrolls, 'scroll')} by {count_of(units, 'scribe')}; each scribe counts once."
    if known < scrolls:
        missing = scrolls - known
        text += f" Of {count_of(missing, 'scroll')} the scribe is not known; each counts as one."
    workshops = {scroll.workshop for scroll in survey.scrolls} - {""}
    if workshops:
        text += (
            f" Scribes of one workshop ({len(workshops)} here) count as independent; if a workshop "
            "makes hands alike, limits are too narrow."
        )
    return text


def _describe_differences(contrasts: Sequence[SourceContrast], word: str, mark: bool) -> str:
    """One defect: who has it more often than whom, by how much; `mark` stars the exploratory."""
    parts = []
    for contrast in contrasts:
        more, less = order_sources(contrast)
        many = letters_per_unit([contrast.difference])
        low, high = sorted((abs(contrast.ci_low or 0.0), abs(contrast.ci_high or 0.0)))
        parts.append(
            f"more on {more} than on {less}, by {count_per(many, low)} to {count_per(many, high)} "
            f"letters in {many:,}{'*' if mark and contrast.exploratory else ''}"
        )
    kind = defect_words(contrasts[0].defect)
    counts = sorted({n for c in contrasts for n in (c.n_first, c.n_second)})
    units = f"{counts[0]}" if len(counts) == 1 else f"{counts[0]} to {counts[-1]}"
    return f"{kind[:1].upper()}{kind[1:]}: {'; '.join(parts)} ({units} {word}s a source)."


def _describe_missing(
    different: Sequence[SourceContrast], bounded: Sequence[BoundedContrast]
) -> str:
    """Whether questions without an answer could undo one of these differences; else empty."""
    pairs = {(c.defect, c.first, c.second) for c in different}
    own = [b for b in bounded if (b.defect, b.first, b.second) in pairs]
    fragile = [b for b in own if not b.stands]
    if not fragile:
        return ""
    missing = max(b.n_without_first + b.n_without_second for b in fragile)
    questions = count_of(missing, "question")
    return f" {questions} without a clear answer could undo this."


def _describe_omnibus(results: SurveyComparison) -> list[str]:
    """For many sources: in which kinds they differ at all."""
    if not any(c.second == "others" for c in results.contrasts):
        return []
    found = [t.defect for t in results.omnibus if (t.p_value_holm or 1.0) < MAX_ADJUSTED_P]
    if not found:
        return ["No kind shows that the sources, all taken together, differ."]
    return [f"All sources taken together differ in {join_words(map(defect_words, found))}."]


def _describe_open(tested: Sequence[SourceContrast], different: Sequence[SourceContrast]) -> str:
    open_count = len(tested) - len(different)
    if not open_count:
        return ""
    text = "In the one comparison made"
    if len(tested) > 1:
        which = f"the other {open_count} of" if different else "all"
        text = f"In {which} {count_of(len(tested), 'comparison')}"
        if len(tested) == 2 and not different:
            text = "In both comparisons"
    return (
        f"{text} the survey cannot tell whether sources differ. That does not say that they are "
        "alike."
    )


def _describe_unmade(results: SurveyComparison, tested: Sequence[SourceContrast]) -> str:
    """How many comparisons of what readers checked could not be made; empty without any."""
    unmade = [c for c in results.contrasts if c.p_value is None and c.basis != "unaudited"]
    if not unmade:
        return ""
    count = count_of(len(unmade), "further comparison" if tested else "comparison")
    return (
        f"{count} could not be made, for reasons that stand below; this speaks neither for nor "
        "against a source."
    )


def _describe_unchecked(survey: SurveyData, results: SurveyComparison) -> list[str]:
    """Of which kinds and sources nothing is claimed, for want of readers' answers."""
    every: defaultdict[str, set[str]] = defaultdict(set)
    unchecked: defaultdict[str, set[str]] = defaultdict(set)
    for rate in results.rates:
        every[rate.defect].add(rate.source)
        if rate.basis == "unaudited":
            unchecked[rate.defect].add(rate.source)
    nowhere = [defect for defect, sources in unchecked.items() if sources == every[defect]]
    word = survey.arrays.unit_word
    if len(nowhere) == len(every):
        answers = "No reader has checked any letter"
        if survey.audit.decided:
            answers = f"Readers have checked too few {word}s of every source"
        return [
            f"{answers}: the rates below are the network's word alone, and nothing is claimed of a "
            "difference between sources."
        ]
    lines = []
    if nowhere:
        count = count_of(len(nowhere), "kind")
        lines.append(
            f"Nothing is claimed of {count}, which readers did not check on enough {word}s of any "
            "source."
        )
    partly = Counter(frozenset(s) for defect, s in unchecked.items() if s != every[defect])
    for sources, kinds in sorted(partly.items(), key=lambda item: (-item[1], sorted(item[0]))):
        where = f"{join_words(sorted(sources))} in {count_of(kinds, 'kind')}"
        lines.append(
            f"Nothing is claimed of {where} that readers checked on enough {word}s of other "
            "sources only."
        )
    return lines

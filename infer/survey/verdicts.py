"""What the survey shows, in a few sentences for someone who reads nothing else.

No sentence claims more than a corrected test supports: where none does, the page says that nothing
is known, not that sources are alike; where no reader checked letters, it says so first.
"""

from __future__ import annotations

from collections.abc import Sequence

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
    survey: SurveyData, results: SurveyComparison, confounding: Confounding
) -> tuple[str, ...]:
    """The sentences in the order in which they are read."""
    word = survey.arrays.unit_word
    tested = [c for c in results.contrasts if c.p_value is not None]
    different = sorted(
        (c for c in tested if is_significant(c)), key=lambda c: (c.exploratory, c.p_value or 0.0)
    )
    defects = list(dict.fromkeys(c.defect for c in different))
    lines = [*confounding.warnings]
    for defect in defects[:MAX_VERDICTS]:
        own = [c for c in different if c.defect == defect]
        lines.append(_describe_differences(own, word, mark=not all(c.exploratory for c in tested)))
    if len(defects) > MAX_VERDICTS:
        lines.append(f"Sources differ in {len(defects) - MAX_VERDICTS} further kinds, see below.")
    if any(c.exploratory for c in different):
        lines.append(
            "Nobody declared beforehand what would be compared: take a difference as a question "
            "for new scrolls, not as an answer."
            if all(c.exploratory for c in tested)
            else "Marked *: not declared beforehand; a question for new scrolls, not an answer."
        )
    lines += _describe_omnibus(results)
    lines += [*filter(None, (_describe_open(tested, different), _describe_unchecked(results)))]
    return (*lines, describe_units(survey))


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
    which = "the others" if different else "all"
    text = "In the one comparison made"
    if len(tested) > 1:
        text = f"In {which} of {count_of(len(tested), 'comparison')}"
    return (
        f"{text} the survey cannot tell whether sources differ. That does not say that they are "
        "alike."
    )


def _describe_unchecked(results: SurveyComparison) -> str:
    kinds = {rate.defect for rate in results.rates}
    unchecked = {rate.defect for rate in results.rates if rate.basis == "unaudited"}
    if unchecked == kinds:
        return (
            "No reader has checked any letter: the rates below are the network's word alone, and "
            "nothing is claimed of a difference between sources."
        )
    if unchecked:
        return (
            f"{len(unchecked)} of {len(kinds)} kinds no reader checked in every source; of these "
            "nothing is claimed."
        )
    return ""

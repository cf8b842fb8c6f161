"""The report's section on what was declared, how letters were drawn, and who answered."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from crownlet.infer.survey.audit import MIN_EVEN_SHARE
from crownlet.infer.survey.bounds import (
    BoundedContrast,
    UnansweredQuestions,
    bound_contrasts,
    bound_rates,
)
from crownlet.infer.survey.data import SurveyData
from crownlet.infer.survey.design import describe_change, uphold_design
from crownlet.infer.survey.labels import ALL_DEFECTS, ReaderAgreement
from crownlet.infer.survey.records import MIN_UNITS_FOR_INTERVAL, SourceContrast
from crownlet.infer.survey.response import ASSUMPTION, MIN_LABELLED_SHARE
from crownlet.infer.view.wording import count_of, defect_words, join_words

MAX_DEFECTS_TO_NAME = 6


@dataclass(frozen=True)
class AuditSection:
    """What `audit.html` shows."""

    declared: tuple[str, ...]
    """What was declared, and every later change."""
    drawn: str
    unanswered_note: str
    unanswered: tuple[UnansweredQuestions, ...]
    """Rows of defects and sources with a question that has no label."""
    bounded: tuple[BoundedContrast, ...]
    readers: tuple[str, ...]
    agreement: tuple[ReaderAgreement, ...]
    """Over all defects first, then by defect."""


def build_audit_section(
    survey: SurveyData,
    bounds: Sequence[UnansweredQuestions],
    bounded: Sequence[BoundedContrast] = (),
) -> AuditSection:
    """The section from a survey, its `bound_survey` and its `bound_differences`."""
    unlabelled = tuple(row for row in bounds if row.n_labelled < row.n_drawn)
    return AuditSection(
        describe_declared(survey), _describe_draw(survey),
        _describe_unanswered(unlabelled, survey.arrays.unit_word), unlabelled, tuple(bounded),
        _describe_readers(survey), survey.agreement,
    )  # fmt: skip


def bound_survey(survey: SurveyData) -> tuple[UnansweredQuestions, ...]:
    """The rows of unanswered.csv; none without an audit."""
    return () if survey.questions is None else bound_rates(survey.arrays, survey.questions)


def bound_differences(
    survey: SurveyData, contrasts: Sequence[SourceContrast]
) -> tuple[BoundedContrast, ...]:
    """The rows of unanswered_contrasts.csv; none without an audit."""
    questions = survey.questions
    return () if questions is None else bound_contrasts(survey.arrays, questions, contrasts)


def describe_declared(survey: SurveyData) -> tuple[str, ...]:
    """What was declared before anything was looked at, and what was changed since."""
    design = survey.design
    if design is None:
        why = "Nothing was declared before the scrolls were looked at"
        if survey.designs_differ:
            why = "The merged surveys do not share one design"
        return (
            f"{why}, so every comparison here is exploratory: it can raise a question, which new "
            "scrolls and a design written first (crownlet survey plan --out) can answer.",
        )
    kinds = [defect_words(name) for name in design.defects]
    if len(kinds) > MAX_DEFECTS_TO_NAME:
        kinds = [*kinds[:MAX_DEFECTS_TO_NAME], f"{len(kinds) - MAX_DEFECTS_TO_NAME} more"]
    pairs = [f"{first} with {second}" for first, second in design.comparisons]
    compared = join_words(pairs) if pairs else "every source with every other"
    lines = [
        f"Declared on {design.declared_on}, before any scroll was looked at: {join_words(kinds)}; "
        f"{compared}; {design.audit:g} letters of each scroll for each. What else is compared is "
        f"exploratory. Checksum of the design: {design.sha256_declared(survey.codes)[:12]}."
    ]
    if design.scrolls is not None:
        counts = Counter(scroll.code for scroll in survey.scrolls)
        found = join_words(f"{counts[code]} of {code}" for code in survey.arrays.sources)
        lines.append(f"Planned were {design.scrolls} scrolls of each source; there are {found}.")
    if survey.history:
        held = uphold_design(design, survey.history) is not None
        what = "kinds that were not declared are" if held else "every comparison is"
        lines.append(f"Changed afterwards, so that {what} exploratory:")
        lines += [describe_change(change) for change in survey.history]
    return tuple(lines)


def _describe_draw(survey: SurveyData) -> str:
    questions = survey.questions
    if questions is None or not questions.drawn.any():
        return ""
    chances = questions.chance[questions.drawn]
    if float(np.ptp(chances)) < 1e-12:
        return "Every letter of a scroll had the same probability of being drawn."
    return (
        "Letters that the network doubts were drawn more often: the probabilities of those drawn "
        f"lie from {chances.min():.2g} to {chances.max():.2g}, are recorded with each letter, and "
        "weigh it in every number here. No letter had less than "
        f"{MIN_EVEN_SHARE:g} times the probability of an even draw."
    )


def _describe_unanswered(rows: Sequence[UnansweredQuestions], word: str) -> str:
    if not rows:
        return ""
    unsure = sum(row.n_cannot_tell for row in rows)
    missing = sum(row.n_unanswered for row in rows)
    unused = sum(not row.labels_used for row in rows)
    text = (
        f"Without an answer yet: {count_of(missing, 'question')}; answered with "
        f'"cannot tell" or the like: {unsure:,}. The rates assume that {ASSUMPTION}. The '
        "table shows what they would be if none of these letters had the defect, and if all had it."
    )
    if unused:
        text += (
            f" Where fewer than {MIN_LABELLED_SHARE:.0%} of a source's questions about a defect "
            f"have a label, or those of fewer than {MIN_UNITS_FOR_INTERVAL} of its "
            f"{word}s, none counts."
        )
    return text


def _describe_readers(survey: SurveyData) -> tuple[str, ...]:
    readers = {answer.reader for answer in survey.answers}
    if not readers:
        return ()
    if len(readers) == 1:
        return (
            "One reader answered: how far another would differ is not known. A second reader "
            "answers the same questions in the review, under another name.",
        )
    lines = [
        "Where several readers answered a question, the mean of their answers counts, so that "
        "their differences widen the intervals."
    ]
    for pair in survey.agreement:
        if pair.defect == ALL_DEFECTS:
            kappa = "not defined" if pair.kappa is None else f"{pair.kappa:.2f}"
            both = count_of(pair.n_both, "question")
            lines.append(
                f"Readers {pair.first} and {pair.second} both answered {both}, "
                f"{pair.n_same:,} alike; Cohen's kappa is {kappa} (1: full agreement, 0: "
                "what chance gives). Doubtful letters are drawn more often, and are harder than "
                "the average letter."
            )
    return tuple(lines)

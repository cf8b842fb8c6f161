"""Questions without an answer: the assumption, and bounds for the worst case."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crownlet.infer.survey import verdicts
from crownlet.infer.survey.bounds import BoundedContrast, bound_contrasts, bound_rates
from crownlet.infer.survey.compare import compare_sources
from crownlet.infer.survey.data import SurveyArrays, build_arrays
from crownlet.infer.survey.records import SourceContrast
from crownlet.infer.survey.response import AuditArrays, find_usable, weigh_labels

SCROLLS, LETTERS = 4, 10

CONTRAST = SourceContrast(
    "ink_lost", "A", "B", "audited", 8, 8, 0.2, 0.1, 0.3, 0.01, 0.01, 0.01, exploratory=False,
    note="",
)  # fmt: skip


def audit(label: np.ndarray, cannot_tell: np.ndarray | None = None) -> AuditArrays:
    """All letters of two sources of 4 scrolls drawn with certainty; (1, letters) label."""
    unsure = np.zeros(label.shape, dtype=bool) if cannot_tell is None else cannot_tell
    return AuditArrays(np.ones(label.shape, bool), np.ones(label.shape), label, unsure)


def arrays(questions: AuditArrays) -> SurveyArrays:
    scroll = np.repeat(np.arange(2 * SCROLLS), LETTERS)
    source = np.where(scroll < SCROLLS, "A", "B")
    label, chance = weigh_labels(questions, scroll, (scroll >= SCROLLS).astype(int))
    return build_arrays(["ink_lost"], scroll, source, np.full(label.shape, 0.1), label, chance)


def labels() -> np.ndarray:
    """One letter of ten with the defect on every scroll."""
    label = np.zeros((1, 2 * SCROLLS * LETTERS))
    label[0, ::LETTERS] = 1
    return label


def test_a_rate_lies_between_its_bounds_which_are_manskis() -> None:
    """Manski (1989): with a share u unanswered and a mean m among those answered, the mean lies
    from (1 - u) m to (1 - u) m + u; every letter is drawn here, so that both are exact."""
    label, unsure = labels(), np.zeros((1, 80), bool)
    label[0, 1:3] = np.nan
    unsure[0, 1] = True
    questions = audit(label, unsure)
    first, second = bound_rates(arrays(questions), questions)
    assert (first.defect, first.source, first.n_drawn) == ("ink_lost", "A", 40)
    assert (first.n_labelled, first.n_cannot_tell, first.n_unanswered) == (38, 1, 1)
    assert first.labels_used
    assert first.estimate_if_absent == pytest.approx(4 / 40)
    assert first.estimate_if_present == pytest.approx(6 / 40)
    assert first.estimate is not None
    assert first.estimate_if_absent < first.estimate < first.estimate_if_present
    assert first.ci_low_if_absent is not None and first.ci_high_if_present is not None
    assert first.ci_low_if_absent < 4 / 40 and first.ci_high_if_present > 6 / 40
    assert (second.n_cannot_tell, second.n_unanswered) == (0, 0)
    assert second.estimate_if_absent == second.estimate == second.estimate_if_present


def test_missing_answers_count_like_those_of_their_scroll() -> None:
    """On a scroll with 4 of 10 unanswered, each of the 6 labels counts for 10 / 6 letters."""
    label = labels()
    label[0, 6:10] = np.nan
    _, chance = weigh_labels(audit(label), np.repeat(np.arange(8), 10), np.repeat([0, 1], 40))
    assert chance[0, :10] == pytest.approx(0.6) and (chance[0, 10:] == 1).all()


def test_a_scroll_without_answers_is_like_the_others_of_its_source() -> None:
    label = labels()
    label[0, :10] = np.nan
    label[0, 10] = 0
    questions = audit(label)
    first = bound_rates(arrays(questions), questions)[0]
    assert first.estimate == pytest.approx(2 / 30, abs=0.01)


def test_below_half_no_label_counts_in_that_source_alone() -> None:
    label = labels()
    label[0, :21] = np.nan
    questions = audit(label)
    assert find_usable(questions, np.repeat([0, 1], 40)).tolist() == [[False, True]]
    first, second = bound_rates(arrays(questions), questions)
    assert not first.labels_used and first.estimate is None and first.ci_high_if_present is None
    assert second.labels_used and second.estimate is not None


def compared(first: int, second: int, missing: int, scrolls: int = 8) -> AuditArrays:
    """Two sources of 8 scrolls, with `first` and `second` letters of ten with the defect, a little
    more or less by scroll; `missing` letters without the defect have no answer."""
    label = np.zeros((2 * scrolls, LETTERS))
    for number, own in enumerate(label):
        own[: (first if number < scrolls else second) + number % 2] = 1
        own[LETTERS - missing :] = np.nan
    return audit(label.reshape(1, -1))


def bounded(questions: AuditArrays) -> BoundedContrast:
    scroll = np.repeat(np.arange(16), LETTERS)
    label, chance = weigh_labels(questions, scroll, (scroll >= 8).astype(int))
    source = np.where(scroll < 8, "A", "B")
    survey = build_arrays(["ink_lost"], scroll, source, np.full(label.shape, 0.1), label, chance)
    [row] = bound_contrasts(survey, questions, compare_sources(survey).contrasts)
    return row


def test_a_difference_lies_between_the_bounds_of_both_rates() -> None:
    """Manski (1989), of two means: every letter is drawn, 2 of 10 have no answer, so that the
    difference is known to within 0.2 on either side of that with none of them."""
    row = bounded(compared(5, 1, missing=2))
    assert (row.n_without_first, row.n_without_second) == (16, 16)
    assert row.difference_lowest == pytest.approx(0.4 - 0.2)
    assert row.difference_highest == pytest.approx(0.4 + 0.2)
    assert row.difference_lowest < row.difference < row.difference_highest
    assert row.ci_low_lowest is not None and row.ci_high_highest is not None
    assert row.ci_low_lowest < 0.2 and row.ci_high_highest > 0.6
    assert row.stands == (row.ci_low_lowest > 0)


def test_a_difference_stands_only_if_no_answers_could_undo_it() -> None:
    """No outside source: half of the letters of each scroll without an answer undo anything."""
    assert bounded(compared(5, 1, missing=1)).stands
    assert not bounded(compared(3, 1, missing=4)).stands


def test_the_verdict_says_which_difference_missing_answers_could_undo() -> None:
    """Words of this project."""
    row = bounded(compared(3, 1, missing=4))
    contrast = replace(CONTRAST, defect=row.defect, first=row.first, second=row.second)
    sentence = verdicts._describe_missing([contrast], [row])
    assert sentence == " 64 questions without a clear answer could undo this."
    stands = bounded(compared(5, 1, missing=1))
    assert verdicts._describe_missing([contrast], [stands]) == ""
    other = replace(contrast, first="C")
    assert verdicts._describe_missing([other], [row]) == ""


def test_no_row_where_every_question_has_an_answer() -> None:
    questions = compared(5, 1, missing=0)
    scroll = np.repeat(np.arange(16), LETTERS)
    label, chance = weigh_labels(questions, scroll, (scroll >= 8).astype(int))
    survey = build_arrays(
        ["ink_lost"], scroll, np.where(scroll < 8, "A", "B"), np.full(label.shape, 0.1), label,
        chance,
    )  # fmt: skip
    assert not bound_contrasts(survey, questions, compare_sources(survey).contrasts)

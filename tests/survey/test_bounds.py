"""Questions without an answer: the assumption, and bounds for the worst case."""

from __future__ import annotations

import numpy as np
import pytest

from crownlet.infer.survey.bounds import bound_rates
from crownlet.infer.survey.data import SurveyArrays, build_arrays
from crownlet.infer.survey.response import AuditArrays, find_usable, weigh_labels

SCROLLS, LETTERS = 4, 10


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

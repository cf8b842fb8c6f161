"""Readings against the text, from odds made by hand; Bayes' rule, no outside source."""

from __future__ import annotations

import numpy as np
import pytest

from crownlet.infer.hand.contradictions import MAX_EXCHANGED_SHARE, temper_contradictions

CLASSES = 27


def page(letters: int, against: int, p: float = 0.99) -> tuple[np.ndarray, np.ndarray]:
    """Odds of letters read as class 0, of which `against` stand where the text has class 1."""
    odds = np.full((letters, CLASSES), (1 - p) / (CLASSES - 1))
    odds[:, 0] = p
    labels = np.zeros(letters, np.int64)
    labels[:against] = 1
    return odds, labels


def test_one_exchanged_letter_is_as_sure_as_it_is_read() -> None:
    odds, labels = page(300, 1)
    assert np.allclose(temper_contradictions(odds, labels), odds)


@pytest.mark.parametrize("against", [8, 20, 60])
def test_the_more_letters_stand_against_the_text_the_less_sure_is_each(against: int) -> None:
    """Of so many at most 1 + 0.005 a letter are exchanged (the limit): the others are misread."""
    odds, labels = page(1000, against)
    after = temper_contradictions(odds, labels)
    right = min(1.0, (1 + MAX_EXCHANGED_SHARE * 1000) / (0.99 * against))
    assert after[0, 0] == pytest.approx(0.5 + 0.49 * right)
    assert np.allclose(after.sum(axis=1), 1.0)
    assert np.allclose(after[against:], odds[against:])


@pytest.mark.parametrize("p", [0.51, 0.6, 0.9, 0.9999])
def test_no_exchanged_letter_is_passed_over(p: float) -> None:
    odds, labels = page(200, 150, p)
    after = temper_contradictions(odds, labels)
    assert (after.argmax(axis=1) == odds.argmax(axis=1)).all()
    assert (after[:150, 1] < 0.5).all()


def test_letters_without_a_label_are_left_as_they_are() -> None:
    odds, labels = page(100, 40)
    labels[:40] = -1
    assert np.array_equal(temper_contradictions(odds, labels), odds)

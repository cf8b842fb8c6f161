"""Letters judged among their own hand: drawn clouds of numbers, with planted strangers.

Nearest means with each case left out is the textbook discriminant (Hastie, Tibshirani and Friedman,
The Elements of Statistical Learning, 4.3); the clouds are drawn here, no outside data.
"""

from __future__ import annotations

import numpy as np
import pytest

from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.portion import Portion
from crownlet.infer.hand.forms import MIN_LEAD, doubted_letters, stand_in_hand
from crownlet.infer.text.alignment import Alignment
from crownlet.infer.text.match import AlignedText

CLASSES, NUMBERS = 27, 64


def cloud(
    rng: np.random.Generator, each: int, shift: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Hidden numbers and labels of one hand, `shift` away from the means of the training."""
    means = rng.normal(0, 3, (CLASSES, NUMBERS))
    own = means + rng.normal(0, shift, (CLASSES, NUMBERS))
    labels = np.repeat(np.arange(CLASSES), each)
    hidden = own[labels] + rng.normal(0, 0.5, (len(labels), NUMBERS))
    return hidden.astype(np.float32), labels, means


@pytest.mark.parametrize("shift", [0.0, 2.0])
def test_letters_like_their_sisters_are_not_doubted_however_unlike_the_training(
    shift: float,
) -> None:
    hidden, labels, means = cloud(np.random.default_rng(1), 8, shift)
    assert stand_in_hand(hidden, labels, means).doubted.mean() < 0.01


def test_a_letter_with_the_form_of_another_is_doubted() -> None:
    hidden, labels, means = cloud(np.random.default_rng(2), 8, 2.0)
    hidden[3] = hidden[8 * 5]  # an alef with the form of this hand's he
    standing = stand_in_hand(hidden, labels, means)
    assert standing.lead[3] < 0 < MIN_LEAD
    assert list(np.flatnonzero(standing.doubted)) == [3]


def test_a_letter_far_from_all_is_doubted() -> None:
    hidden, labels, means = cloud(np.random.default_rng(3), 8, 2.0)
    hidden[10] = np.random.default_rng(4).normal(0, 3, NUMBERS)
    assert list(np.flatnonzero(stand_in_hand(hidden, labels, means).doubted)) == [10]


def test_without_hidden_numbers_nothing_is_known_of_the_standing() -> None:
    odds = np.full((2, CLASSES), 1 / CLASSES)
    assert doubted_letters(None, odds, odds, None, np.zeros((CLASSES, NUMBERS))) is None


def test_what_the_text_confirms_and_a_learned_hand_reads_surely_is_no_doubt() -> None:
    """A letter that the text confirms and that looks like its sisters is clear (issue 15)."""
    hidden, labels, means = cloud(np.random.default_rng(2), 8, 2.0)
    hidden[3] = hidden[8 * 5]
    sure = np.full((len(labels), CLASSES), 0.001)
    sure[np.arange(len(labels)), labels] = 0.97
    alone = np.full_like(sure, 1 / CLASSES)
    every = np.arange(len(labels))
    text = "".join(LETTERS[k] for k in labels)
    aligned = AlignedText(
        Portion("a text", (text,), None, frozenset()), Alignment(every, len(labels), 0.0),
        every == 0, 0 * every, every, text, frozenset(),
    )  # fmt: skip

    def doubted(odds: np.ndarray, networks: np.ndarray) -> list[int]:
        found = doubted_letters(hidden, odds, networks, aligned, means)
        assert found is not None
        return list(np.flatnonzero(found))

    assert doubted(sure, sure) == [3]  # nothing was learned
    assert doubted(sure, alone) == []
    unsure = sure.copy()
    unsure[3, labels[3]] = 0.8
    assert doubted(unsure, alone) == [3]

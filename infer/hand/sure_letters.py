"""Letters of a page without a known text, read again by those of its letters that are read surely.

What the networks read surely votes for the class of every letter that is like it (`kernel.py`),
and the votes count for more than the networks' own reading: what they misread of a hand that they
do not know is mostly the difference between this hand and all others. The weights are fixed. Fitted
on labels that the networks gave, they would trust the networks alone, and nothing would change.

A letter that has few sisters keeps its reading, and every class has voters, be they not sure: else
a form of which the networks are never sure would be read as another one altogether. The locator
sees a letter in its line and on its own, and what it takes for another letter is in doubt. A letter
that the networks read as its sisters do keeps some of their doubt: it may stand between two.
"""

from __future__ import annotations

import numpy as np

from crownlet.infer.hand.forms import MIN_ODDS, log_odds, softmax
from crownlet.infer.hand.kernel import LetterDescriptors, class_scores
from crownlet.infer.limits import limits_of
from crownlet.infer.networks import LETTER_CLASSES
from crownlet.infer.records import Bools, Floats, Ints

_LIMITS = limits_of("hand.sure_letters")

MIN_SURE_P = _LIMITS.number("min_sure_p")
"""Probability from which a letter votes."""

MIN_SURE_LETTERS = _LIMITS.whole("min_sure_letters")
"""Letters so sure below which a page is left as it was read."""

MIN_VOTERS_OF_CLASS = _LIMITS.whole("min_voters_of_class")
"""Letters of each class that vote in any case, the surest first .."""

MIN_VOTER_P = _LIMITS.number("min_voter_p")
""".. if they are likelier than not what they are read as."""

SISTERS_FOR_FULL_WEIGHT = _LIMITS.whole("sisters_for_full_weight")
"""Other voters of a letter's own class from which the votes on it count in full; with fewer in
proportion."""

NETWORKS_WEIGHT = _LIMITS.number("networks_weight")
"""Weight of the networks' log probabilities where the votes count in full .."""

VOTES_WEIGHT = _LIMITS.number("votes_weight")
""".. and that of the votes."""

LOCATOR_SHARE = _LIMITS.number("locator_share")
"""Share of the locator's opinion in the probability of a letter .."""

LOCATOR_EXPONENT = _LIMITS.number("locator_exponent")
""".. which is sharpened by this exponent: it is less sure than it is right."""

NETWORKS_SHARE = _LIMITS.number("networks_share")
"""Share of the networks' opinion in the probability of a letter that is read as before. Of 127
single letters drawn between two the networks doubt 97; with this share 93 are in doubt, without it
81."""


def read_by_sure_letters(letters: LetterDescriptors, odds: Floats) -> Floats:
    """(N, 27) odds of a page's N letters, read again by those that are sure.

    `odds` (N, 27) are those of the networks alone, and returned where too few letters are sure.
    Rows keep their sum.
    """
    share = odds.sum(axis=1, keepdims=True)
    alone = odds / np.maximum(share, MIN_ODDS)
    if np.count_nonzero(alone.max(axis=1) >= MIN_SURE_P) < MIN_SURE_LETTERS:
        return odds
    votes = choose_votes(alone.argmax(axis=1), alone.max(axis=1))
    return np.asarray(count_votes(letters, alone, votes) * share)


def count_votes(letters: LetterDescriptors, alone: Floats, votes: Ints) -> Floats:
    """(N, 27) odds of N letters by the networks, the `votes` (N,) of their sisters and the locator.

    `alone` (N, 27) are those of the networks, rows of sum 1; votes are classes or -1. ValueError if
    no letter votes.
    """
    weight = _weight_of_votes(alone.argmax(axis=1), votes)[:, None]
    scores = VOTES_WEIGHT * weight * class_scores(letters, votes)
    voted = softmax((1.0 - weight * (1.0 - NETWORKS_WEIGHT)) * log_odds(alone) + scores)
    located = softmax(LOCATOR_EXPONENT * letters.located.astype(np.float64))
    mixed = voted + LOCATOR_SHARE * weight * (located - voted)
    same = mixed.argmax(axis=1) == alone.argmax(axis=1)
    return np.where(same[:, None], mixed + NETWORKS_SHARE * (alone - mixed), mixed)


def choose_votes(read: Ints, p: Floats) -> Ints:
    """(N,) the class of letters that vote, -1 of others: all that are sure, and of each class the
    surest few. `read` (N,) and `p` (N,) are the class and its probability."""
    sure: Bools = p >= MIN_SURE_P
    for kind in range(LETTER_CLASSES):
        rows = np.flatnonzero((read == kind) & (p > MIN_VOTER_P))
        sure[rows[np.argsort(-p[rows], kind="stable")][:MIN_VOTERS_OF_CLASS]] = True
    return np.where(sure, read, -1)


def _weight_of_votes(read: Ints, votes: Ints) -> Floats:
    """(N,) how far the votes on each letter count, by its sisters among the voters."""
    sisters = np.bincount(votes[votes >= 0], minlength=LETTER_CLASSES)[read] - (votes == read)
    return np.asarray(np.minimum(1.0, sisters / SISTERS_FOR_FULL_WEIGHT))

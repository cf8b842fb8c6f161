"""Letters of a page without a known text, read again by what the language makes likely.

What the networks misread of a hand that they do not know, they may misread surely, and then it
votes for the wrong class (`sure_letters.py`). Its neighbours know better: after what stands beside
it (`text/sequence.py`) a letter has the class that the language makes likely, and votes for that
class, as a letter votes for the class that a text has there (`adapt.py`). No letter votes on
itself, so that what is read of it stays what the picture shows, and a letter that the scribe
exchanged does not become the one that the language expects.

A letter is read otherwise only because others like it vote so; by itself the language decides how
sure the reading is. Letters that follow no language are left alone: of an alphabet it denies final
letters, and their votes would be wrong together. On nine pages by
scribes of the Middle Ages, read without their texts, letters that the language bears out are
misread a third as often as their probability says; those that it denies as often as it says.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from crownlet.infer.hand.forms import MIN_ODDS
from crownlet.infer.hand.kernel import LetterDescriptors
from crownlet.infer.hand.sure_letters import count_votes
from crownlet.infer.limits import limits_of
from crownlet.infer.records import Floats, Ints

_LIMITS = limits_of("hand.likely_letters")

MIN_LIKELY_P = _LIMITS.number("min_likely_p")
"""Probability, by picture and language, from which a letter votes."""

MIN_SURE_P_AGAINST_LANGUAGE = _LIMITS.number("min_sure_p_against_language")
"""Probability, by the networks alone, from which a letter does not vote against their reading: it
may have been exchanged."""

ROUNDS = _LIMITS.whole("rounds")
"""Readings; what the first one settled votes in the second."""

DOUBT_DIVISOR = _LIMITS.number("doubt_divisor")
"""By what the doubt about a letter is divided that the language bears out."""

LEAST_P_DENIED = _LIMITS.number("least_p_denied")
"""Probability that a letter keeps which the language denies: it stays likelier than all others."""


def read_by_likely_letters(
    letters: LetterDescriptors,
    odds: Floats,
    reading: Floats,
    in_sequence: Callable[[Floats], Floats | None],
) -> Floats:
    """(N, 27) odds of a page's N letters, read again by those that are likely.

    `odds` (N, 27) are those of the networks alone, `reading` (N, 27) those after the votes of the
    sure letters; `in_sequence` gives the probability of each letter in view of its neighbours, rows
    of sum 1, or None where they are no language; then `reading` stays. Rows keep their sum.
    """
    share = odds.sum(axis=1, keepdims=True)
    alone = odds / np.maximum(share, MIN_ODDS)
    now = reading / np.maximum(share, MIN_ODDS)
    for _ in range(ROUNDS):
        likely = in_sequence(now)
        if likely is None:
            return reading
        votes = choose_likely(likely, alone)
        if (votes < 0).all():
            return reading
        now = count_votes(letters, alone, votes)
    likely = in_sequence(now)
    return reading if likely is None else np.asarray(weigh_by_language(now, likely) * share)


def choose_likely(likely: Floats, alone: Floats) -> Ints:
    """(N,) the class of letters that vote, -1 of others; `likely` (N, 27) by picture and language,
    `alone` (N, 27) by the networks alone."""
    kind = likely.argmax(axis=1)
    against = (kind != alone.argmax(axis=1)) & (alone.max(axis=1) >= MIN_SURE_P_AGAINST_LANGUAGE)
    return np.where((likely.max(axis=1) >= MIN_LIKELY_P) & ~against, kind, -1)


def weigh_by_language(odds: Floats, likely: Floats) -> Floats:
    """(N, 27) odds in which a letter read is the surer where the language bears it out, and at most
    as sure as `likely` (N, 27) has it.

    Rows of both have sum 1. Which letter is the likeliest changes nowhere: one that is denied
    keeps `LEAST_P_DENIED`, or what it had, and what it loses goes to those that the language
    expects.
    """
    rows, read = np.arange(len(odds)), odds.argmax(axis=1)
    p = odds[rows, read]
    now = np.minimum(1.0 - (1.0 - p) / DOUBT_DIVISOR, likely[rows, read])
    now = np.maximum(now, np.minimum(p, LEAST_P_DENIED))
    others = odds.copy()
    others[rows, read] = 0.0
    expected = likely.copy()
    expected[rows, read] = 0.0
    kept = np.minimum(1.0, (1.0 - now) / np.maximum(1.0 - p, MIN_ODDS))
    lost = np.maximum(p - now, 0.0) / np.maximum(expected.sum(axis=1), MIN_ODDS)
    weighed = others * kept[:, None] + expected * lost[:, None]
    weighed[rows, read] = now
    return np.asarray(weighed)

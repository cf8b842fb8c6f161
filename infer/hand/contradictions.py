"""How sure a reading is where the text has another letter, by how often that happens on the page.

A scribe exchanges few letters. Where the reading of an unknown hand contradicts the text again and
again, most of these letters are misread, however sure the reading is of each: on two pages by
scribes of the Middle Ages 24 of 33 letters that were misread with more than 0.9 stood against their
text. Such a letter stays the letter read, and goes to review rather than among the findings. It
stays likelier than that of the text, so that one that was exchanged is never passed over.
"""

from __future__ import annotations

import numpy as np

from crownlet.infer.limits import limits_of
from crownlet.infer.records import Floats, Ints

_LIMITS = limits_of("hand.contradictions")

MAX_EXCHANGED_SHARE = _LIMITS.number("max_exchanged_share")
"""Share of its letters that a careless scribe exchanges; one more may stand on any page."""

EVEN = 0.5
"""Probability at which the letter read is as likely as that of the text."""


def temper_contradictions(odds: Floats, labels: Ints) -> Floats:
    """(N, 27) odds in which a letter read against its label is the less sure the more there are.

    `odds` (N, 27), rows of sum 1; `labels` (N,) classes by the text or -1. What the letter read
    loses goes to its label; which letter is the likeliest changes nowhere.
    """
    rows = np.arange(len(odds))
    read = odds.argmax(axis=1)
    p = odds[rows, read]
    against = (labels >= 0) & (read != labels) & (p > EVEN)
    expected = 1.0 + MAX_EXCHANGED_SHARE * int((labels >= 0).sum())
    share_right = min(1.0, expected / max(float(p[against].sum()), 1.0))
    loss = np.where(against, (p - EVEN) * (1.0 - share_right), 0.0)
    tempered = odds.copy()
    tempered[rows, read] -= loss
    tempered[rows[against], labels[against]] += loss[against]
    return np.asarray(tempered)

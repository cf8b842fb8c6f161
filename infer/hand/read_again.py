"""A page read by its hand, and aligned again, until its labels no longer change."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from crownlet.infer.hand.adapt import (
    NO_HIDDEN_OUTPUT,
    NO_TEXT,
    SWITCHED_OFF,
    LabelledLetters,
    learn_hand,
    not_learned,
)
from crownlet.infer.hand.labels import label_letters
from crownlet.infer.limits import limits_of
from crownlet.infer.records import Floats, HandRecord, Ints

if TYPE_CHECKING:
    from crownlet.infer.text.match import AlignedText

_LIMITS = limits_of("hand.read_again")

MAX_ROUNDS = _LIMITS.whole("max_rounds")
"""Most readings; the labels of the pages measured settled after one or two."""

MAX_CHANGED_LABEL_SHARE = _LIMITS.number("max_changed_label_share")
"""Share of the labels that may still change when reading and alignment count as settled."""


@dataclass(frozen=True)
class HandSettings:
    """What is known of a hand beside the page that is read; without `learn` nothing is learned."""

    learn: bool = True
    means: Floats | None = None
    """(27, H) class means of the training; None where the networks do not give them."""
    others: tuple[LabelledLetters, ...] = ()
    """Letters of other pages of the scroll."""


@dataclass(frozen=True)
class SecondReading:
    """A page's letters as read by its hand."""

    odds: Floats
    """(N, 27); the very object given where the hand was not learned."""
    record: HandRecord
    aligned: AlignedText | None = None
    """The page aligned with these odds; None where the hand was not learned."""


def read_again(
    settings: HandSettings,
    hidden: npt.NDArray[np.float32] | None,
    odds: Floats,
    aligned: AlignedText | None,
    realign: Callable[[Floats, AlignedText], AlignedText],
) -> SecondReading:
    """A page's letters as read by its hand.

    `hidden` (N, H) and `odds` (N, 27), those of the networks alone, are in reading order; `realign`
    aligns the page with other odds to the text of an alignment. That takes as long as learning, and
    is done once the labels of the alignment at hand have settled.
    """
    if not settings.learn:
        return SecondReading(odds, not_learned(SWITCHED_OFF))
    if hidden is None or settings.means is None:
        return SecondReading(odds, not_learned(NO_HIDDEN_OUTPUT))
    if aligned is None:
        return SecondReading(odds, not_learned(NO_TEXT))
    labels = label_letters(aligned, odds)
    for _ in range(MAX_ROUNDS):
        page = LabelledLetters(hidden, odds, labels)
        reading = learn_hand(page, settings.others, settings.means)
        if not reading.record.learned:
            return SecondReading(odds, reading.record)
        before, labels = labels, label_letters(aligned, reading.odds)
        if _settled(before, labels):
            aligned = realign(reading.odds, aligned)
            before, labels = labels, label_letters(aligned, reading.odds)
            if _settled(before, labels):
                return SecondReading(reading.odds, reading.record, aligned)
    return SecondReading(reading.odds, reading.record, realign(reading.odds, aligned))


def _settled(before: Ints, after: Ints) -> bool:
    return bool((before != after).mean() <= MAX_CHANGED_LABEL_SHARE)

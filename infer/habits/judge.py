"""What a hand does as a rule, decided from counts: how many letters of each form show a defect.

Letters of one defect are first taken together, where their shares agree with one rate; else form by
form. All tests are exact (binomial).

And which letters do not stand out from the hand's own: where all corners of a hand are soft, a soft
corner is nothing about one letter. A letter stands out where its probability is far above that of
its sisters: the letters of the same form, or of all forms that can have the defect where those are
few. A form that is nearly never clear of a fault is drawn near it by the hand's own way.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import exp, lgamma, log, log1p
from typing import NamedTuple

import numpy as np

from crownlet.infer.hand_records import HabitKind
from crownlet.infer.limits import limits_of
from crownlet.infer.records import Bools, Floats

_LIMITS = limits_of("habits.judge")

MIN_HABIT_SHARE = _LIMITS.number("min_habit_share")
"""From this share of its letters on a hand does something as a rule."""

MIN_UNSTEADY_SHARE = _LIMITS.number("min_unsteady_share")
"""From this share on, and below the one before, a hand is unsteady in something."""

CERTAINTY = _LIMITS.number("certainty")
"""Least certainty that the share is above one half: five letters of five, seven of eight."""

ROUNDING = 1e-9
"""Relative error under which two probabilities are equal."""

HALF = 0.5
"""The share that a habit surely exceeds."""

MAX_CHANCE_SHARE, MAX_CHANCE_OF_UNSTEADY = (
    _LIMITS.number("max_chance_share"),
    _LIMITS.number("max_chance_of_unsteady"),
)
"""Single faults on so large a share of letters must make as many as were seen improbable."""

MIN_SEEN_OF_UNSTEADY = _LIMITS.whole("min_seen_of_unsteady")

MIN_SEEN_OF_STATEMENT, MIN_SEEN_SHARE_OF_STATEMENT = (
    _LIMITS.whole("min_seen_of_statement"),
    _LIMITS.number("min_seen_share_of_statement"),
)
"""Number and share of the letters of a statement that show its defect as surely as a finding."""

MIN_PACKED_SHARE, MIN_SEEN_OF_PACKED = (
    _LIMITS.number("min_packed_share"),
    _LIMITS.whole("min_seen_of_packed"),
)
"""From this share and number of letters on that touch a neighbour, the hand packs its letters: one
statement. On nine pages by scribes of the Middle Ages 5 to 28% of the letters touch, on rendered
mezuzot without such faults none."""

MIN_OFTEN_SHARE, MIN_SEEN_OF_OFTEN = (
    _LIMITS.number("min_often_share"),
    _LIMITS.whole("min_seen_of_often"),
)
"""From this share and number of letters on, what is seen by an unlike hand is stated of the hand:
no promise covers its single letters, and so many of one kind are its way before they are slips."""

MIN_FIT_OF_LETTER = _LIMITS.number("min_fit_of_letter")
"""A form whose count is less probable than this at the rate of all forms is decided by itself."""


MIN_SISTERS = _LIMITS.whole("min_sisters")
"""Letters of a form that show what is usual for it."""

OUTLIER_DEVIATIONS = _LIMITS.number("outlier_deviations")
"""Deviations above the median from which a letter stands out."""

MIN_OUTLIER_LOGIT = _LIMITS.number("min_outlier_logit")
"""Least distance above the median, in logits, so that equal letters do not stand out by a hair."""

MAD_TO_STANDARD_DEVIATION = 1.4826
"""Median deviation to standard deviation, for a normal spread."""

MAX_CLEAR_SHARE = _LIMITS.number("max_clear_share")
"""Largest share of a form's letters that are clear of a fault where the hand's own way is near it.
Of a hand that is unsteady, or whose single letters are at fault, the other letters are clear; of
one with soft corners, short vavs or slight heels hardly any is."""

MIN_P = 1e-4
"""Keeps logits finite; tables hold four digits."""


class Count(NamedTuple):
    """Letters that show a defect, of those judged."""

    seen: int
    judged: int
    clear: int = 0
    """Letters that surely do not show it."""

    @property
    def share(self) -> float:
        """Share of the judged letters."""
        return self.seen / max(self.judged, 1)


def judge_letters(counts: Mapping[str, Count]) -> dict[str, HabitKind]:
    """`habit` or `unsteady` for the letter forms of one defect; forms of neither are left out."""
    counts = {letter: count for letter, count in counts.items() if count.judged}
    every = _sum(counts)
    if all(fits(count, every.share) for count in counts.values()):
        kind = judge_count(every)
        return {} if kind is None else dict.fromkeys(counts, kind)
    kinds = {letter: judge_count(count) for letter, count in counts.items()}
    for kind in ("habit", "unsteady"):
        # Forms of which there are few letters follow the others where they do the same.
        if kind in kinds.values():
            kinds |= {
                letter: kind
                for letter, count in counts.items()
                if kinds[letter] is None and kind_of_share(count.share) == kind
            }
    unsteady = {letter: counts[letter] for letter, kind in kinds.items() if kind == "unsteady"}
    if unsteady:
        # Six of seven are no habit beside forms of which half the letters show it.
        rate = _sum(unsteady).share
        kinds |= {
            letter: "unsteady"
            for letter, kind in kinds.items()
            if kind == "habit" and fits(counts[letter], rate)
        }
    return {letter: kind for letter, kind in kinds.items() if kind is not None}


def forms_near_fault(counts: Mapping[str, Count]) -> frozenset[str]:
    """The forms that the hand's own way draws near a fault: hardly any letter is clear of it.

    Forms of few letters follow the others.
    """
    near = {form for form, count in counts.items() if count.clear <= MAX_CLEAR_SHARE * count.judged}
    return (
        frozenset(near) if any(counts[form].judged >= MIN_SISTERS for form in near) else frozenset()
    )


def judge_count(count: Count) -> HabitKind | None:
    """What so many letters show of the hand; None where they show no more than single faults."""
    kind = kind_of_share(count.share)
    if kind == "habit" and upper_tail(count, HALF) <= 1.0 - CERTAINTY:
        return "habit"
    if (
        kind is not None
        and count.seen >= MIN_SEEN_OF_UNSTEADY
        and upper_tail(count, MAX_CHANCE_SHARE) <= MAX_CHANCE_OF_UNSTEADY
    ):
        return "unsteady" if kind == "unsteady" else None
    return None


def is_packed(touching: Count) -> bool:
    """Whether a hand packs its letters so that they touch, by the letters that do."""
    return touching.share >= MIN_PACKED_SHARE and touching.seen >= MIN_SEEN_OF_PACKED


def forms_often(seen: Mapping[str, int], judged: Mapping[str, int]) -> frozenset[str]:
    """The forms in which an unlike hand often shows a defect, by the letters that surely do."""
    forms = frozenset(form for form, count in seen.items() if count)
    every, of = sum(seen[form] for form in forms), sum(judged[form] for form in forms)
    often = every >= MIN_SEEN_OF_OFTEN and every >= MIN_OFTEN_SHARE * of
    return forms if often else frozenset()


def kind_of_share(share: float) -> HabitKind | None:
    """The kind that a share would have, were there letters enough."""
    if share >= MIN_HABIT_SHARE:
        return "habit"
    return "unsteady" if share >= MIN_UNSTEADY_SHARE else None


def upper_tail(count: Count, rate: float) -> float:
    """Probability of as many letters or more at this rate (binomial)."""
    return sum(_binomial(k, count.judged, rate) for k in range(count.seen, count.judged + 1))


def fits(count: Count, rate: float) -> bool:
    """Whether a count is not improbable at this rate (exact two-sided binomial test)."""
    here = _binomial(count.seen, count.judged, rate)
    chance = sum(
        p for k in range(count.judged + 1)
        if (p := _binomial(k, count.judged, rate)) <= here * (1 + ROUNDING)
    )  # fmt: skip
    return chance >= MIN_FIT_OF_LETTER


def stands_out(p: Sequence[float], forms: Sequence[str]) -> Bools:
    """(N,) whether each probability stands far above those of its sisters; `forms` (N,) are the
    letters' forms."""
    logits = _logits(np.asarray(p, np.float64))
    form = np.asarray(forms)
    answer = np.zeros(len(logits), np.bool_)
    for kind in set(forms):
        here = form == kind
        sisters = logits[here] if here.sum() >= MIN_SISTERS else logits
        answer[here] = logits[here] > _usual_limit(sisters)
    return answer


def _binomial(k: int, n: int, rate: float) -> float:
    if not 0.0 < rate < 1.0:
        return float(k == n * rate)
    # By logarithms: of the letters of a whole scroll the number of ways exceeds any float.
    ways = lgamma(n + 1) - lgamma(k + 1) - lgamma(n - k + 1)
    return exp(ways + k * log(rate) + (n - k) * log1p(-rate))


def _sum(counts: Mapping[str, Count]) -> Count:
    return Count(*(sum(column) for column in zip(*counts.values(), strict=True)))


def _usual_limit(sisters: Floats) -> float:
    if len(sisters) < MIN_SISTERS:
        return -np.inf
    middle = _median(sisters)
    deviation = MAD_TO_STANDARD_DEVIATION * _median(np.abs(sisters - middle))
    return middle + max(MIN_OUTLIER_LOGIT, OUTLIER_DEVIATIONS * deviation)


def _median(values: Floats) -> float:
    """As `np.median`, which takes eight times as long for so few numbers."""
    ordered = np.sort(values)
    return float((ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) / 2)


def _logits(p: Floats) -> Floats:
    p = np.clip(p, MIN_P, 1.0 - MIN_P)
    return np.asarray(np.log(p) - np.log1p(-p))

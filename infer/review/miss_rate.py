"""What the inspection missed, estimated from the audited letters, with an interval by scroll.

Each answer counts as the inverse of the chance with which its question was drawn (Horvitz and
Thompson 1952), as a ratio, so that questions left open or answered "cannot tell" fall out of both
sides. The interval is Wilson's (1927), which stays within 0 and 1, and the wider of two. One counts
letters, as many as their unequal chances leave (Kish 1965: the square of the sum of weights over
the sum of their squares). As letters of one hand go wrong together, the other counts scrolls: the
linearised variance between them (Cochran, Sampling Techniques, 3rd ed. 1977, 6.3 and 11.7), with
Student's t of one degree less than there are scrolls. It speaks of the scrolls of this run, every
one of which was sampled.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import NormalDist
from typing import TYPE_CHECKING, NamedTuple

from crownlet.infer.review.models import ALL_KINDS, AuditedQuestion
from crownlet.infer.view.language import translate

if TYPE_CHECKING:
    from crownlet.infer.review.store import ReviewStore


MIN_SCROLLS_FOR_SHARE = 3
"""With fewer scrolls no share is estimated."""

CONFIDENCE_LEVEL = 0.95

MISSED_CHOICES = frozenset({"present", "other_letter"})

ANSWERED_CHOICES = MISSED_CHOICES | {"not_present"}


class AuditAnswer(NamedTuple):
    """One audited question that was decided."""

    scroll: str
    kind: str
    choice: str
    chance: float


@dataclass(frozen=True)
class MissEstimate:
    """Counts of audited questions, and the estimate for all questions of clear letters."""

    asked: int
    answered: int
    """Decided, and neither "cannot tell" nor left to an authority."""
    missed: int
    """Of these, where a reader saw what the inspection cleared, or another letter."""
    scrolls: int
    """Scrolls with an answer."""
    share: float | None = None
    """Estimated share of the clear letters' questions that were missed; None with few scrolls."""
    low: float | None = None
    high: float | None = None
    """Ends of the interval with `CONFIDENCE_LEVEL`."""
    faults: float | None = None
    """Estimated number of faults missed on the clear letters of the run."""


def student_quantile(p: float, freedom: int) -> float:
    """The `p` quantile of Student's t with `freedom` degrees of freedom, at least 2.

    Expansion about the normal quantile (Abramowitz and Stegun 26.7.5), exact for 2; within 0.2% for
    p from 0.9 to 0.98, 1% up to 0.995.
    """
    if freedom < 2:
        raise ValueError("at least 2 degrees of freedom are needed")
    if freedom == 2:
        return (2 * p - 1) * sqrt(2 / (4 * p * (1 - p)))
    x = NormalDist().inv_cdf(p)
    terms = (
        (x**3 + x) / 4,
        (5 * x**5 + 16 * x**3 + 3 * x) / 96,
        (3 * x**7 + 19 * x**5 + 17 * x**3 - 15 * x) / 384,
        (79 * x**9 + 776 * x**7 + 1482 * x**5 - 1920 * x**3 - 945 * x) / 92160,
    )
    return float(x + sum(term / freedom**k for k, term in enumerate(terms, start=1)))


def estimate_misses(
    answers: Iterable[AuditAnswer],
    asked: int,
    questions: float,
    confidence: float = CONFIDENCE_LEVEL,
) -> MissEstimate:
    """The estimate from audited questions for all `questions` of the clear letters.

    `asked` counts those in the queue, `answers` are those decided.
    """
    answered = [a for a in answers if a.choice in ANSWERED_CHOICES]
    by_scroll: dict[str, list[AuditAnswer]] = defaultdict(list)
    for answer in answered:
        by_scroll[answer.scroll].append(answer)
    missed = sum(a.choice in MISSED_CHOICES for a in answered)
    counts = MissEstimate(asked, len(answered), missed, len(by_scroll))
    if counts.scrolls < MIN_SCROLLS_FOR_SHARE:
        return counts
    weight = sum(1 / a.chance for a in answered)
    share = sum(1 / a.chance for a in answered if a.choice in MISSED_CHOICES) / weight
    low, high = _wider_interval(share, list(by_scroll.values()), weight, confidence)
    return MissEstimate(
        asked, len(answered), missed, counts.scrolls, share, low, high, share * questions
    )


def _wider_interval(
    share: float, scrolls: Sequence[Sequence[AuditAnswer]], weight: float, confidence: float
) -> tuple[float, float]:
    """The wider of the interval by letters and, where scrolls differ at all, the one by scroll."""
    count, p = len(scrolls), (1 + confidence) / 2
    letters = weight**2 / sum(a.chance**-2 for answers in scrolls for a in answers)
    found = [_wilson_interval(share, letters, NormalDist().inv_cdf(p))]
    variance = (
        count / (count - 1) * sum(_weighted_residual(s, share) ** 2 for s in scrolls) / weight**2
    )
    if variance > 0:
        worth = share * (1 - share) / variance
        found.append(_wilson_interval(share, worth, student_quantile(p, count - 1)))
    return min(low for low, _ in found), max(high for _, high in found)


def _wilson_interval(share: float, worth: float, z: float) -> tuple[float, float]:
    """Wilson's interval for a share seen in `worth` independent answers."""
    middle = (share + z * z / (2 * worth)) / (1 + z * z / worth)
    half = z / (1 + z * z / worth) * sqrt(share * (1 - share) / worth + (z / (2 * worth)) ** 2)
    # Rounded, since both ends touch 0 or 1 exactly where nothing or everything was missed.
    return max(0.0, round(middle - half, 12)), min(1.0, round(middle + half, 12))


def _weighted_residual(answers: Sequence[AuditAnswer], share: float) -> float:
    return sum(((a.choice in MISSED_CHOICES) - share) / a.chance for a in answers)


def estimate_misses_by_kind(store: ReviewStore, reader: str) -> dict[str, MissEstimate]:
    """The estimate from one reader's answers: by doubt, and under `ALL_KINDS` all together."""
    audit = store.audit(reader)
    kinds: dict[str, list[AuditedQuestion]] = defaultdict(list)
    for asked in audit.asked:
        kinds[asked.kind].append(asked)
    by_kind = {
        kind: estimate_misses(_decided_answers(asked), len(asked), sum(1 / a.chance for a in asked))
        for kind, asked in sorted(kinds.items())
    }
    return {
        ALL_KINDS: estimate_misses(
            _decided_answers(audit.asked), len(audit.asked), audit.questions
        ),
        **by_kind,
    }


def _decided_answers(asked: Iterable[AuditedQuestion]) -> list[AuditAnswer]:
    return [
        AuditAnswer(a.scroll, a.kind, a.choice, a.chance) for a in asked if a.choice is not None
    ]


def describe_misses(estimate: MissEstimate) -> str:
    """The estimate in a sentence."""
    mixed = translate(
        "Of {asked} questions about clear letters mixed in, {answered} are answered",
        asked=estimate.asked, answered=estimate.answered,
    )  # fmt: skip
    if not estimate.answered:
        return mixed + translate(": nothing can be said yet of what was missed.")
    seen = mixed + translate(
        "; in {missed} the reader saw what the program had cleared", missed=estimate.missed
    )
    if estimate.share is None or estimate.low is None or estimate.high is None:
        return seen + translate(
            ". With fewer than {scrolls} scrolls no share is estimated.",
            scrolls=MIN_SCROLLS_FOR_SHARE,
        )
    share, low, high = (f"{100 * v:.2g}%" for v in (estimate.share, estimate.low, estimate.high))
    return seen + translate(
        ": about {share} of all that it cleared ({low} to {high} with 95% confidence).",
        share=share, low=low, high=high,
    )  # fmt: skip

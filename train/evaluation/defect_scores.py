"""Scores of one defect: ranking, recall at few false alarms, calibration."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from sklearn.metrics import average_precision_score, roc_auc_score, roc_curve

from crownlet.datasets.coco.truth import LetterTruth
from crownlet.train.evaluation.matching import PageMatch, SeenLetter, match_page

Floats = npt.NDArray[np.float64]

DOUBTFUL_PLAINNESS = (1 / 3, 2 / 3)
"""Plainness between these, inclusive, is kept out of positives and negatives."""

TAG_COUNT_DEFECTS = ("tag_missing", "tag_excess")
"""Defects of number: unknown where the truth gives no number of tags."""

FALSE_ALARM_RATE = 0.01

CALIBRATION_BINS = 15
"""Equal bins of probability for the calibration error (Guo et al. 2017, On Calibration)."""


@dataclass(frozen=True)
class DefectCases:
    """Letters to which a defect applies: its probability, and how plain it is (0 = not there)."""

    p: Floats
    plainness: Floats
    unseen: int = 0
    """Plain cases without a probability: the letter was not found, or taken for one to which the
    defect does not apply. They are counted apart, not scored."""

    def __add__(self, other: DefectCases) -> DefectCases:
        return DefectCases(
            np.concatenate([self.p, other.p]),
            np.concatenate([self.plainness, other.plainness]),
            self.unseen + other.unseen,
        )


NO_CASES = DefectCases(np.empty(0), np.empty(0))


@dataclass(frozen=True)
class DefectScore:
    """Scores of one defect; None where positives or negatives are lacking."""

    positives: int
    negatives: int
    doubtful: int
    unseen: int
    auroc: float | None
    auroc_from_half: float | None
    """The same with the plainer half of the doubtful cases among the positives."""
    average_precision: float | None
    recall_at_1_percent: float | None
    """Share of positives found when at most 1% of the negatives raise a false alarm."""
    calibration_error: float | None


def gather_cases(
    truth: Sequence[LetterTruth],
    seen: Sequence[SeenLetter],
    name: str,
    match: PageMatch | None = None,
) -> DefectCases:
    """The cases of defect `name` on one page; `match` defaults to `match_page(truth, seen)`."""
    match = match or match_page(truth, seen)
    p, plainness, unseen = [], [], 0
    for i, j in match.pairs:
        if not was_looked_for(truth[i], name):
            continue
        plain, probability = plainness_of(truth[i], name), seen[j].p.get(name)
        if probability is not None:
            p.append(probability)
            plainness.append(plain)
        elif plain > DOUBTFUL_PLAINNESS[1]:
            unseen += 1
    unseen += sum(plainness_of(truth[i], name) > DOUBTFUL_PLAINNESS[1] for i in match.missing)
    return DefectCases(np.array(p, np.float64), np.array(plainness, np.float64), unseen)


def was_looked_for(letter: LetterTruth, name: str) -> bool:
    """Whether the truth holds if the letter has the defect."""
    if letter.known is not None:
        return name in letter.known
    return name not in TAG_COUNT_DEFECTS or letter.tags >= 0


def plainness_of(letter: LetterTruth, name: str) -> float:
    """How plain a defect is on a letter: 0 where it is not."""
    return max((mark.plainness for mark in letter.defects if mark.name == name), default=0.0)


def score_defect(cases: DefectCases) -> DefectScore:
    """Score the cases of one defect, doubtful ones left out."""
    positive, negative = (
        cases.plainness > DOUBTFUL_PLAINNESS[1],
        cases.plainness < DOUBTFUL_PLAINNESS[0],
    )
    sure = positive | negative
    y, p = positive[sure], cases.p[sure]
    counts = int(positive.sum()), int(negative.sum()), int((~sure).sum()), cases.unseen
    if not (y.any() and (~y).any()):
        return DefectScore(*counts, None, None, None, None, calibration_error(y, p))
    half = positive | (cases.plainness >= 0.5)
    either = half | negative
    return DefectScore(
        *counts,
        float(roc_auc_score(y, p)),
        float(roc_auc_score(half[either], cases.p[either])),
        float(average_precision_score(y, p)),
        recall_at_false_alarms(y, p, FALSE_ALARM_RATE),
        calibration_error(y, p),
    )


def recall_at_false_alarms(y: npt.NDArray[np.bool_], p: Floats, false_alarms: float) -> float:
    """Greatest recall of any threshold at which at most this share of negatives is flagged."""
    false_rate, recall, _ = roc_curve(y, p, drop_intermediate=False)
    return float(recall[false_rate <= false_alarms].max())


def calibration_error(
    y: npt.NDArray[np.bool_], p: Floats, bins: int = CALIBRATION_BINS
) -> float | None:
    """Expected calibration error: mean of |share true - mean p| over equal bins, weighted by size.

    None without cases.
    """
    if not len(p):
        return None
    place = np.minimum((p * bins).astype(int), bins - 1)
    wrong = np.bincount(place, weights=y - p, minlength=bins)
    return float(np.abs(wrong).sum() / len(p))

"""The two thresholds of every defect, with their promises, chosen from the evidence."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt

from crownlet.train.evaluation.defect_scores import DOUBTFUL_PLAINNESS
from crownlet.train.risk_control.bounds import DELTA
from crownlet.train.risk_control.evidence import Evidence
from crownlet.train.risk_control.testing import (
    LEARNING_SCROLL_STEP,
    ControlledThreshold,
    control_clear,
    control_finding,
)

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class RiskTargets:
    """The risks to be promised, fixed before the evidence is looked at."""

    cleared: float = 0.01
    """Largest share of a defect's plain cases on a scroll that is cleared, on average."""
    false: float = 0.05
    """Largest share of a scroll's findings that are false, on average."""
    confidence: float = 1 - DELTA
    together: bool = False
    """Whether the confidence is that all promises hold together (Bonferroni), not each alone."""
    own: Mapping[str, float] = field(default_factory=dict)
    """Another `cleared` for single defects."""
    unpromised: tuple[float, float] = (0.02, 0.95)
    """Thresholds set by hand for a defect of which nothing can be promised."""


@dataclass(frozen=True)
class ThresholdChoice:
    """The thresholds of one defect and their promises; None where nothing is promised."""

    clear: float
    finding: float
    cleared: ControlledThreshold | None
    false: ControlledThreshold | None
    cases: int
    """Plain cases in the evidence."""
    scrolls: int
    """Scrolls that have one."""
    unseen: int
    """Plain cases without a probability of their own, so that their class alone can raise them."""


class DefectEvidence:
    """The evidence of one defect: losses of the scrolls at any threshold."""

    def __init__(self, evidence: Evidence, name: str) -> None:
        p, plainness = evidence.columns(name)
        self.p, self.scroll = np.asarray(p, np.float64), evidence.scroll
        self.usual = evidence.usual[:, evidence.names.index(name)]
        with np.errstate(invalid="ignore"):
            self.plain = plainness > DOUBTFUL_PLAINNESS[1]
            self.clean = plainness < DOUBTFUL_PLAINNESS[0]
        self.raised = evidence.raised

    @cached_property
    def scrolls(self) -> npt.NDArray[np.int64]:
        """Scrolls with a plain case, in order."""
        return np.unique(self.scroll[self.plain])

    @cached_property
    def unseen(self) -> int:
        """Plain cases without a probability."""
        return int(np.isnan(self.p[self.plain]).sum())

    def cleared_shares(self, threshold: float, finding: float = np.inf) -> Floats:
        """Of each scroll with a plain case, the share of them that is cleared.

        Not raised, and below the threshold, or below that of findings without standing out from
        the hand's letters, or without a probability of the defect at all.
        """
        here = self.plain
        place = np.searchsorted(self.scrolls, self.scroll[here])
        p, usual = self.p[here], self.usual[here]
        lost = ~self.raised[here] & ~((p >= finding) | ((p >= threshold) & ~usual))
        return np.asarray(np.bincount(place, lost) / np.maximum(np.bincount(place), 1))

    def false_shares(self, threshold: float, learning: bool) -> Floats:
        """Of each scroll with a finding, the share of them that is false.

        Of one scroll in `LEARNING_SCROLL_STEP` if `learning`, else of the others; doubtful cases do
        not enter.
        """
        mine = (self.scroll % LEARNING_SCROLL_STEP == 0) == learning
        found = mine & (self.p >= threshold) & (self.plain | self.clean)
        scrolls, place = np.unique(self.scroll[found], return_inverse=True)
        if not len(scrolls):
            return np.empty(0)
        return np.asarray(np.bincount(place, self.clean[found]) / np.bincount(place))


def choose_thresholds(evidence: Evidence, aims: RiskTargets) -> dict[str, ThresholdChoice]:
    """The thresholds of every defect, in the evidence's order."""
    delta = 1.0 - aims.confidence
    if aims.together:
        delta /= 2 * len(evidence.names)
    return {
        name: _choose_for_defect(DefectEvidence(evidence, name), name, aims, delta)
        for name in evidence.names
    }


def _choose_for_defect(
    cases: DefectEvidence, name: str, aims: RiskTargets, delta: float
) -> ThresholdChoice:
    aim = aims.own.get(name, aims.cleared)
    false = control_finding(
        lambda threshold: cases.false_shares(threshold, True),
        lambda threshold: cases.false_shares(threshold, False),
        aims.false, delta,
    )  # fmt: skip
    finding = false.threshold if false else aims.unpromised[1]
    cleared = control_clear(
        lambda threshold: cases.cleared_shares(threshold, finding), len(cases.scrolls), aim, delta
    )
    clear = cleared.threshold if cleared else aims.unpromised[0]
    return ThresholdChoice(
        clear, finding, cleared, false, int(cases.plain.sum()), len(cases.scrolls), cases.unseen
    )


@dataclass(frozen=True)
class ReviewLoad:
    """Work that the thresholds give an examiner: shares of the letters that were found."""

    review: float
    finding: float
    review_of_clean: float
    """Of letters without any fault, plain or doubtful."""
    finding_of_clean: float
    by_defect: Mapping[str, float]
    """Share of the clean letters that this defect alone would send to review."""


def measure_load(evidence: Evidence, choices: Mapping[str, ThresholdChoice]) -> ReviewLoad:
    """Route every letter of the evidence that was found by these thresholds."""
    found = evidence.read != -1
    names = [name for name in evidence.names if name in choices]
    p = np.nan_to_num(
        np.stack([evidence.columns(name)[0] for name in names], axis=1)[found], nan=-1.0
    )
    clear = np.array([choices[name].clear for name in names])
    finding = np.array([choices[name].finding for name in names])
    is_finding = (p >= finding).any(axis=1)
    usual = np.stack([evidence.usual[:, evidence.names.index(n)] for n in names], axis=1)[found]
    sent = (p >= clear) & (p < finding) & ~usual
    is_review = (sent.any(axis=1) | evidence.raised[found]) & ~is_finding
    with np.errstate(invalid="ignore"):
        clean = ~(evidence.plainness[found] >= DOUBTFUL_PLAINNESS[0]).any(axis=1)
    return ReviewLoad(
        float(is_review.mean()), float(is_finding.mean()),
        float(is_review[clean].mean()), float(is_finding[clean].mean()),
        dict(zip(names, sent[clean].mean(axis=0).tolist(), strict=True)),
    )  # fmt: skip

"""Differences between two models on the same scrolls, with intervals by scroll.

Letters of one hand go wrong together, so each difference is linearised into one residual a scroll
and its variance is that between scrolls. Rates: the ratio estimator of a cluster sample (Cochran,
Sampling Techniques, 1977, section 11). AUROC: the placements of DeLong et al. (1988), summed by
cluster (Obuchowski 1997, Nonparametric analysis of clustered ROC curve data).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import rankdata, t

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
LEVEL = 0.95


@dataclass(frozen=True)
class Difference:
    """A measure of the old and of the new model, and new less old with its limits."""

    old: float
    new: float
    low: float | None
    """None with fewer than two scrolls: nothing then says how scrolls differ."""
    high: float | None
    scrolls: int
    cases: int

    @property
    def difference(self) -> float:
        """New less old."""
        return self.new - self.old


@dataclass(frozen=True)
class Scored:
    """One model's probabilities of one defect on N letters."""

    scroll: Ints
    p: Floats
    plain: npt.NDArray[np.bool_]
    """Whether the defect is there."""


def rates(
    old: npt.ArrayLike, new: npt.ArrayLike, sizes: npt.ArrayLike, level: float = LEVEL
) -> Difference:
    """Error rates: errors of the old and of the new model in `sizes` letters, (scrolls,) each.

    The variance is never taken below that of one error more or less: models that agree on every
    letter read have not shown that they always do.
    """
    a, b, n = (np.asarray(x, np.float64) for x in (old, new, sizes))
    total = float(n.sum())
    first, second = float(a.sum()) / total, float(b.sum()) / total
    residuals = ((b - a) - (second - first) * n) / total
    spread = _limits(second - first, residuals, 1 / total, level)
    return Difference(first, second, *spread, len(n), int(total))


def aurocs(
    pairs: Sequence[tuple[Scored, Scored]], scrolls: int, level: float = LEVEL
) -> Difference | None:
    """Mean AUROC over defects, `pairs` holding (old, new) of each; scroll numbers below `scrolls`.

    Defects without cases on either side are left out; None if none is left. The two models need
    not have probabilities for the same letters.
    """
    rows = [(_placed(a, scrolls), _placed(b, scrolls), int(b.plain.sum())) for a, b in pairs]
    kept = [(a, b, cases) for a, b, cases in rows if a is not None and b is not None]
    if not kept:
        return None
    first = float(np.mean([a[0] for a, _, _ in kept]))
    second = float(np.mean([b[0] for _, b, _ in kept]))
    residuals = np.mean([b[1] - a[1] for a, b, _ in kept], axis=0)
    cases = sum(cases for _, _, cases in kept)
    # As if one case more had moved past half of what it is told from.
    spread = _limits(second - first, residuals, 0.5 / cases, level)
    return Difference(first, second, *spread, scrolls, cases)


def _placed(scored: Scored, scrolls: int) -> tuple[float, Floats] | None:
    """AUROC, and each scroll's part in its error, (scrolls,); None without cases on both sides."""
    plain, rest = int(scored.plain.sum()), int((~scored.plain).sum())
    if not plain or not rest:
        return None
    every = rankdata(scored.p)
    above = (every[scored.plain] - rankdata(scored.p[scored.plain])) / rest
    below = 1 - (every[~scored.plain] - rankdata(scored.p[~scored.plain])) / plain
    area = float(above.mean())
    parts = np.bincount(scored.scroll[scored.plain], above - area, scrolls) / plain
    return area, parts + np.bincount(scored.scroll[~scored.plain], below - area, scrolls) / rest


def _limits(
    middle: float, residuals: Floats, least: float, level: float
) -> tuple[float | None, float | None]:
    """Limits by a t quantile; `least` is the smallest standard error taken."""
    scrolls = len(residuals)
    if scrolls < 2:
        return None, None
    error = np.sqrt(np.square(residuals).sum() * scrolls / (scrolls - 1))
    reach = float(t.ppf((1 + level) / 2, scrolls - 1)) * max(float(error), least)
    return middle - reach, middle + reach

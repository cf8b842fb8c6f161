"""What stands out from its sisters, by NumPy's medians."""

from __future__ import annotations

import numpy as np

from crownlet.infer.habits import judge


def test_a_letter_stands_out_by_median_and_median_deviation() -> None:
    """Leys et al. 2013: the median and so many median absolute deviations, of logits."""
    rng = np.random.default_rng(7)
    for count in range(judge.MIN_SISTERS, judge.MIN_SISTERS + 60):
        p = rng.beta(0.3, 2.0, count)
        logits = np.log(np.clip(p, judge.MIN_P, 1 - judge.MIN_P))
        logits -= np.log1p(-np.clip(p, judge.MIN_P, 1 - judge.MIN_P))
        middle = np.median(logits)
        deviation = judge.MAD_TO_STANDARD_DEVIATION * np.median(np.abs(logits - middle))
        far = max(judge.MIN_OUTLIER_LOGIT, judge.OUTLIER_DEVIATIONS * deviation)
        expected = logits > middle + far
        np.testing.assert_array_equal(judge.stands_out(p.tolist(), ["א"] * count), expected)

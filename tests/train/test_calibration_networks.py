"""Calibration against data whose true curve is known, and thresholds against their definition."""

import numpy as np
import torch

from crownlet.datasets.scribal.catalogue import LEARNED_DEFECTS
from crownlet.train.calibration.networks import Logits, calibrate, thresholds

RNG = np.random.default_rng(7)


def invented(n: int = 20_000) -> Logits:
    """Logits drawn so that the true curve of the first defect is 1 / (1 + exp(-(0.5 z - 1)))."""
    d = len(LEARNED_DEFECTS)
    z = RNG.normal(0, 4, (n, d))
    wanted = np.full((n, d), np.nan)
    wanted[:, 0] = RNG.random(n) < 1 / (1 + np.exp(-(0.5 * z[:, 0] - 1)))
    wanted[:, 1] = 0.0
    letter = torch.from_numpy(RNG.normal(0, 1.5, (n, 28)))
    true = torch.distributions.Categorical(logits=letter).sample().numpy()
    tags = torch.from_numpy(RNG.normal(0, 1, (n, 5)))
    return Logits(3.0 * letter, z, tags, true, wanted, RNG.integers(0, 5, n), true, np.zeros(n))


def test_known_curves_are_found_again() -> None:
    found = calibrate(invented())
    assert abs(found.gain[0] - 0.5) < 0.03
    assert abs(found.offset[0] + 1) < 0.08
    assert (found.gain[1], found.offset[1]) == (1.0, 0.0)  # no case to learn from
    assert abs(found.temperatures[0] - 3.0) < 0.15


def test_thresholds_keep_what_they_say_on_the_data_they_were_set_on() -> None:
    clean, plain = RNG.beta(1, 12, 5000), RNG.beta(8, 2, 800)
    p = np.concatenate([clean, plain])
    wanted = np.concatenate([np.zeros(5000), np.ones(800)])
    cut = thresholds({"x": (p, wanted)})["x"]
    assert (plain < cut["clear"]).mean() <= 0.0113
    assert (plain >= cut["finding"]).sum() / (p >= cut["finding"]).sum() >= 0.95
    assert cut["clear"] <= cut["finding"]

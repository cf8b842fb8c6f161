"""Thresholds measured on other hands: the means are those of the table drawn up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from crownlet.infer.networks import weights_folder
from crownlet.infer.promises import DefectPromise, Promise
from crownlet.infer.thresholds import ThresholdPair, load_thresholds
from crownlet.train.risk_control.check import (
    check_table,
    list_broken_promises,
    load_under,
    measure_promises,
)
from crownlet.train.risk_control.evidence import EVIDENCE_DEFECTS, Evidence

K = EVIDENCE_DEFECTS.index("ring_open")
BORDERS = ThresholdPair(0.1, 0.8)


def evidence() -> Evidence:
    """Forty scrolls of two plain cases and two clean letters; the first two miss one case each, the
    last has a false finding."""
    p = np.tile([0.9, 0.9, 0.0, 0.0], 40)
    p[[0, 4]] = 0.05
    p[-1] = 0.85
    table, plainness = (
        np.full((160, len(EVIDENCE_DEFECTS)), np.nan),
        np.full((160, len(EVIDENCE_DEFECTS)), np.nan),
    )
    table[:, K], plainness[:, K] = p, np.tile([1.0, 1.0, 0.0, 0.0], 40)
    return Evidence(
        EVIDENCE_DEFECTS, np.repeat(np.arange(40), 4), table.astype(np.float32),
        plainness.astype(np.float32), np.zeros(table.shape, np.bool_),
        np.zeros(160, np.bool_), np.ones(160, np.float32), np.ones(160, np.int8),
    )  # fmt: skip


def test_means_by_scroll_and_promises_that_came_out_otherwise() -> None:
    made = Promise(
        0.95, "each alone", {}, (), {}, {"ring_open": DefectPromise(0.02, 0.999, 300, 600)}
    )
    limits = replace(
        load_thresholds(weights_folder()), defects={"ring_open": BORDERS}, promise=made
    )
    rows = measure_promises(evidence(), limits)
    row = rows["ring_open"]
    usual = evidence()
    usual.usual[:] = True
    # What is usual for its hand is cleared as a doubt, and as a finding it is shown all the same.
    assert measure_promises(usual, limits)["ring_open"]["cleared"] == row["cleared"]
    assert (row["scrolls"], row["cases"], row["scrolls_with_findings"]) == (40, 80, 40)
    assert row["cleared"] == pytest.approx(2 * 0.5 / 40)
    assert row["findings_true"] == pytest.approx((39 + 2 / 3) / 40)
    below = row["cleared_below"]
    assert below is not None
    # No bound of 95% lies below the mean, nor above Hoeffding's, sqrt(log(20) / 2n) more.
    assert 0.025 < below < 0.025 + (np.log(20) / 80) ** 0.5
    assert len(list_broken_promises(rows)) == 2
    load = load_under(evidence(), limits)
    assert (load.review, load.finding) == (0.0, pytest.approx(79 / 160))
    assert "beyond its promise here: ring_open: cleared" in check_table(rows, load)

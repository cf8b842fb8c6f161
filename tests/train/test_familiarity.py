"""Bounds of the familiar and the curve of stretched letters, against other reckonings of them."""

from __future__ import annotations

import numpy as np
import pytest
import yaml
from scipy.stats import expon
from sklearn.linear_model import LogisticRegression

from crownlet.datasets.scribal.alphabet import ALPHABET
from crownlet.infer.networks import weights_folder
from crownlet.infer.quality.familiarity import load_usual_sizes
from crownlet.infer.thresholds import parse_familiarity
from crownlet.train.calibration.familiarity import (
    MeasuredLetters,
    fit_bounds,
    fit_stretch_curve,
    replace_routing_lines,
    usual_sizes_yaml,
)


def letters(count: int = 27 * 300, drawn_share: float = 0.0) -> MeasuredLetters:
    rng = np.random.default_rng(4)
    letter = np.arange(count) % 27
    drawn = np.where(rng.random(count) < drawn_share, rng.uniform(1.5, 2.6, count), 1.0)
    known = load_usual_sizes()
    width = known.width[letter] * np.exp(known.width_spread[letter] * rng.normal(size=count))
    below = known.below[letter] + known.below_spread[letter] * rng.normal(size=count)
    return MeasuredLetters(
        letter, np.arange(count) // 270, np.stack([width * drawn, below], axis=1),
        rng.exponential(0.05, count), drawn, np.ones((count, 3)),
    )  # fmt: skip


def test_bounds_are_the_quantiles_they_claim_to_be() -> None:
    found = fit_bounds(letters())
    # Quantiles of the exponential distribution that the surprises were drawn from.
    assert found.surprise == pytest.approx(expon.ppf(0.9975, scale=0.05), rel=0.2)
    assert found.page == pytest.approx(expon.ppf(0.95, scale=0.05), rel=0.1)
    # The larger of one normal deviation and of another's size exceeds 3 with 0.13% + 0.27%.
    assert found.shape == pytest.approx(3.1, abs=0.25)


def test_the_curve_is_the_logistic_regression() -> None:
    given = letters(drawn_share=0.1)
    curve = fit_stretch_curve(given)
    x = np.log(given.ratios())[:, None]
    other = LogisticRegression(C=1e3, tol=1e-8, max_iter=1000).fit(x, given.drawn >= 1.5)
    middle = -other.intercept_[0] / other.coef_[0, 0]
    assert -curve.bias / curve.slope == pytest.approx(middle, abs=0.02)
    assert curve.slope == pytest.approx(other.coef_[0, 0], rel=0.1)


def test_the_table_is_read_back() -> None:
    rows = yaml.safe_load(usual_sizes_yaml(letters()))["letters"]
    assert list(rows) == [letter.slug for letter in ALPHABET]
    for letter, width in zip(ALPHABET, load_usual_sizes().width, strict=True):
        assert rows[letter.slug]["width"][0] == pytest.approx(width, rel=0.03)


def test_new_bounds_are_written_into_the_lines_of_the_shipped_file() -> None:
    text = (weights_folder() / "routing.yaml").read_text("utf-8")
    new = replace_routing_lines(text, ["unfamiliar: {surprise: 9.5, shape: 8.5, page: 0.75}"])
    assert parse_familiarity(yaml.safe_load(new)["picture"]["unfamiliar"]).surprise == 9.5
    changed = [a for a, b in zip(text.splitlines(), new.splitlines(), strict=True) if a != b]
    assert len(changed) == 1
    with pytest.raises(SystemExit, match="no single line"):
        replace_routing_lines(text, ["unheard: {of: 1}"])

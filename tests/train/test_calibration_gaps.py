"""Fitting the odds of gaps, against data drawn from a known curve, and writing them."""

from pathlib import Path

import numpy as np
import pytest

from crownlet.infer.networks import weights_folder
from crownlet.infer.routing.gaps import logistic
from crownlet.infer.thresholds import ROUTING_FILE, GapCurve, load_thresholds
from crownlet.train.calibration.gaps import GapCases, fit_curve, replace_curves

TRUE = GapCurve(2.0, -9.0, 0.5)


def drawn(count: int) -> GapCases:
    """Gaps whose faults are drawn by `TRUE`, a tenth of them made doubtful."""
    rng = np.random.default_rng(4)
    place, yuds = rng.normal(0.5, 0.5, count), rng.uniform(0.0, 1.5, count)
    chance = 1.0 / (1.0 + np.exp(-(TRUE.bias + TRUE.place * place + TRUE.yud * yuds)))
    plainness = (rng.random(count) < chance).astype(float)
    plainness[rng.random(count) < 0.1] = 0.5
    return GapCases(place, yuds, plainness)


def test_a_known_curve_is_found_again() -> None:
    found = fit_curve(drawn(40_000))
    # Asymptotic errors of a logistic fit of this size are about 0.05, 0.12 and 0.05.
    assert found.bias == pytest.approx(TRUE.bias, abs=0.2)
    assert found.place == pytest.approx(TRUE.place, abs=0.4)
    assert found.yud == pytest.approx(TRUE.yud, abs=0.2)


def test_the_score_leaves_doubtful_gaps_out_and_is_calibrated() -> None:
    gaps = drawn(40_000)
    score = gaps.score(TRUE)
    assert score.doubtful == int((gaps.plainness == 0.5).sum())
    assert score.calibration_error is not None and score.calibration_error < 0.01
    off = gaps.score(GapCurve(TRUE.bias + 2, TRUE.place, TRUE.yud)).calibration_error
    assert off is not None and off > 0.05


def test_curves_are_written_where_thresholds_are_read(tmp_path: Path) -> None:
    text = (weights_folder() / ROUTING_FILE).read_text("utf-8")
    changed = replace_curves(text, {"words_joined": TRUE, "word_parted": GapCurve(-8.0, 11.0, 0.2)})
    (tmp_path / ROUTING_FILE).write_text(changed, "utf-8")
    gaps = load_thresholds(tmp_path).gaps
    assert gaps == {"words_joined": TRUE, "word_parted": GapCurve(-8.0, 11.0, 0.2)}
    unlike = [a for a, b in zip(text.splitlines(), changed.splitlines(), strict=True) if a != b]
    assert len(unlike) == 2
    # The logistic function at 2 (any table of it): 0.8808.
    at_zero = logistic(gaps["words_joined"], np.zeros(1), np.zeros(1))[0]
    assert at_zero == pytest.approx(0.8808, abs=1e-4)


def test_a_file_without_a_curve_is_not_written() -> None:
    with pytest.raises(ValueError, match="words_joined"):
        replace_curves("gaps: {}\n", {"words_joined": TRUE})

"""Whatever a survey holds, its limits stand in order, and letters of the alphabet add up."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from crownlet.infer.survey.compare import compare_sources
from crownlet.infer.survey.data import SurveyArrays, build_arrays
from crownlet.infer.survey.source_rates import estimate_by_letter


def survey(rng: np.random.Generator) -> SurveyArrays:
    """One to eight scrolls of one to 39 letters, up to three sources, and anything from no defect
    to nothing else, from a blind network to one that knows, from no audit to a full one."""
    scroll = np.repeat(np.arange(of := rng.integers(1, 9)), rng.integers(1, 40, of))
    letters = len(scroll)
    source = np.array(list("ABC"))[rng.integers(0, rng.integers(1, 4), of)][scroll]
    truth = (rng.random((2, letters)) < rng.choice([0, 0.02, 0.3, 0.9, 1])).astype(float)
    predicted = np.clip(rng.choice([0, 1]) * truth + rng.random(truth.shape) * 0.2, 0, 1)
    predicted[rng.random(truth.shape) < rng.choice([0, 0.3, 1])] = np.nan
    chance = rng.choice([rng.uniform(0.05, 1), 1.0]) * rng.uniform(0.5, 1, letters)
    label = np.where(rng.random(letters) < chance * rng.choice([0, 1]), truth, np.nan)
    side = rng.choice(["face", "reverse"], letters)
    form = rng.choice(["ב", "ת"], letters)
    return build_arrays(
        ["one", "two"], scroll, source, predicted, label=label, inclusion_probability=chance,
        side=side, letter=form,
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(80))
def test_limits_stand_in_order(seed: int) -> None:
    held = survey(np.random.default_rng(seed))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        results = compare_sources(held)
        rates = (*results.rates, *estimate_by_letter(held))
    for rate in rates:
        assert 0 <= rate.estimate <= 1 and rate.n_letters > 0
        bare = rate.n_clusters < 3 or rate.basis == "unaudited"
        assert (rate.ci_low is None) == (rate.ci_high is None) == bare
        if rate.ci_low is not None and rate.ci_high is not None:
            assert (
                0 <= rate.ci_low <= rate.estimate + 1e-12
                and rate.estimate - 1e-12 <= rate.ci_high <= 1
            )
            assert rate.ci_low < rate.ci_high
    for test in (*results.contrasts, *results.side_contrasts):
        if test.p_value is not None and test.p_value_holm is not None:
            assert 0 <= test.p_value <= test.p_value_holm + 1e-12 <= 1 + 1e-12
            assert test.ci_low is not None and test.ci_high is not None
            assert test.ci_low <= test.difference <= test.ci_high
            assert (test.p_value < 0.05) == (not test.ci_low <= 0 <= test.ci_high)


def test_letters_of_the_alphabet_add_up_to_all() -> None:
    """By counting: each letter's rate is its own share, and their counts those of all letters."""
    rng = np.random.default_rng(1)
    scroll = np.repeat(np.arange(4), 100)
    form = rng.choice(["ש", "ב", "ת"], 400)
    label = (rng.random((1, 400)) < np.where(form == "ש", 0.4, 0.1)).astype(float)
    held = build_arrays(["tag_bare"], scroll, ["A"] * 400, label, label=label, letter=form)
    rates = {rate.letter: rate for rate in estimate_by_letter(held)}
    assert list(rates) == ["ב", "ש", "ת"]
    for letter, rate in rates.items():
        own = [label[0, (form == letter) & (scroll == number)].mean() for number in range(4)]
        assert rate.estimate == pytest.approx(np.mean(own))
    assert (
        sum(rate.n_letters for rate in rates.values())
        == compare_sources(held).rates[0].n_letters
        == 400
    )

"""Twenty sources: one test over all, rates drawn towards the mean, figures that can be read."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from statsmodels.stats.meta_analysis import combine_effects

from crownlet.infer.survey.compare import compare_sources
from crownlet.infer.survey.data import SurveyArrays, build_arrays
from crownlet.infer.survey.figures import save_figure
from crownlet.infer.survey.figures_many import draw_funnel, draw_ranked
from crownlet.infer.survey.records import OTHERS
from crownlet.infer.survey.shrinkage import (
    compute_funnel,
    estimate_between_variance,
    shrink_rates,
)

SOURCES, SCROLLS, LETTERS = 20, 6, 80


@pytest.fixture(scope="module")
def survey() -> SurveyArrays:
    """Twenty sources of six scrolls; the first has three times the rate of the others."""
    rng = np.random.default_rng(11)
    scroll = np.repeat(np.arange(SOURCES * SCROLLS), LETTERS)
    source = np.array([f"S{k:02d}" for k in range(SOURCES)])[scroll // SCROLLS]
    rate = np.where(scroll // SCROLLS == 0, 0.3, 0.1)
    label = (rng.random((2, len(scroll))) < rate).astype(float)
    label[1] = rng.random(len(scroll)) < 0.1
    return build_arrays(["heel_missing", "tag_bare"], scroll, source, label, label=label)


def test_each_source_is_compared_with_the_others_and_all_at_once(survey: SurveyArrays) -> None:
    """20 comparisons a defect, not 190; the source with more is found, in one defect only."""
    results = compare_sources(survey)
    assert len(results.contrasts) == 2 * SOURCES
    assert {c.second for c in results.contrasts} == {OTHERS}
    assert [c.first for c in results.contrasts if (c.p_value_holm or 1) < 0.05] == ["S00"]
    first, second = results.omnibus
    assert (first.n_sources, first.n_clusters) == (SOURCES, SOURCES * SCROLLS)
    assert first.p_value is not None and first.p_value < 0.001
    assert second.p_value is not None and second.p_value > 0.05
    assert first.between_sd > second.between_sd


def test_shrunken_rates_lie_between_the_rate_and_the_mean(survey: SurveyArrays) -> None:
    results = compare_sources(survey)
    rows = [row for row in results.shrunken if row.defect == "heel_missing"]
    mean = np.mean([row.estimate for row in rows])
    assert len(rows) == SOURCES
    for row in rows:
        low, high = sorted((row.estimate, float(mean)))
        assert low - 1e-9 <= row.shrunken <= high + 1e-9 and 0 <= row.weight <= 1


def test_variance_between_sources_same_as_statsmodels() -> None:
    """DerSimonian and Laird's tau squared, and the shrunken mean it implies."""
    rng = np.random.default_rng(3)
    rates, variances = rng.beta(4, 30, 12), rng.uniform(1e-4, 9e-4, 12)
    theirs = combine_effects(rates, variances, method_re="chi2")
    between = estimate_between_variance(rates, variances)
    assert between == pytest.approx(theirs.tau2, rel=1e-9)
    shrunken, weight = shrink_rates(rates, variances)
    centre = theirs.mean_effect_re
    assert shrunken == pytest.approx(weight * rates + (1 - weight) * centre)
    assert weight == pytest.approx(between / (between + variances))


def test_the_funnel_holds_95_per_cent_of_sources_that_are_alike() -> None:
    rng = np.random.default_rng(9)
    units = rng.integers(5, 40, 4000)
    rates = np.array([rng.beta(4, 36, n).mean() for n in units])
    variance = 0.1 * 0.9 / 41
    low, high = compute_funnel(0.1, variance, units.astype(float))
    assert np.mean((rates >= low) & (rates <= high)) == pytest.approx(0.95, abs=0.015)


def test_figures_of_twenty_sources_fit_a_page(survey: SurveyArrays, tmp_path: Path) -> None:
    """A page is 11 inches high; every source is named on it, in one colour and marker."""
    results = compare_sources(survey)
    ranked = draw_ranked(results.rates, {})
    funnel = draw_funnel(results.shrunken, {"heel_missing": 0.01, "tag_bare": 0.01}, {}, "scroll")
    for figure in (ranked, funnel):
        assert figure.get_figheight() < 11 and figure.get_figwidth() < 8
        save_figure(figure, tmp_path / "figure")
        assert (tmp_path / "figure.png").stat().st_size > 5000
    axes = ranked.axes[0]
    assert {label.get_text() for label in axes.get_yticklabels()} == set(survey.sources)
    assert axes.get_yticklabels()[0].get_text() == "S00"
    assert len({line.get_color() for line in axes.get_lines()}) == 1
    assert "S00" in [text.get_text() for text in funnel.axes[0].texts]

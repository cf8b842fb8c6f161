"""The exact odds and the dispersion against scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from crownlet.infer.scrolls.crowns import hypergeometric, tail_probabilities
from crownlet.infer.scrolls.evenness import dispersion, rank_sum_test


@pytest.mark.parametrize(
    ("letters", "crowned", "drawn"), [(7, 1, 1), (64, 3, 5), (20, 20, 3), (9, 0, 4)]
)
def test_draws_are_hypergeometric(letters: int, crowned: int, drawn: int) -> None:
    wanted = stats.hypergeom(letters, crowned, drawn).pmf(np.arange(drawn + 1))
    assert hypergeometric(letters, crowned, drawn) == pytest.approx(wanted, abs=1e-12)


@pytest.mark.parametrize("table", [(6, 0, 1, 1), (18, 3, 2, 2), (30, 29, 3, 0), (4, 2, 4, 2)])
def test_one_form_is_fishers_exact_test(table: tuple[int, int, int, int]) -> None:
    face, up, back, there = table
    cells = [[there, back - there], [up, face - up]]
    wanted = [stats.fisher_exact(cells, alternative=side).pvalue for side in ("greater", "less")]
    assert tail_probabilities([table]) == pytest.approx(wanted)


def test_several_forms_are_the_sum_of_independent_draws() -> None:
    tables = [(31, 2, 1, 1), (18, 5, 1, 1), (61, 30, 1, 0), (4, 1, 3, 3)]
    rng = np.random.default_rng(1)
    total = sum(rng.hypergeometric(a + c, f + b - a - c, b, 400_000) for f, a, b, c in tables)
    more, fewer = tail_probabilities(tables)
    seen = sum(table[3] for table in tables)
    assert more == pytest.approx((total >= seen).mean(), abs=0.002)
    assert fewer == pytest.approx((total <= seen).mean(), abs=0.002)
    assert tail_probabilities([]) == (1.0, 1.0)


@pytest.mark.parametrize("seed", range(5))
def test_rank_sum_is_that_of_mann_and_whitney(seed: int) -> None:
    rng = np.random.default_rng(seed)
    a = rng.normal(3.0, 0.1, 12).round(1)  # Rounded, so that there are ties.
    b = rng.normal(3.0 + 0.05 * seed, 0.1, 17).round(1)
    wanted = stats.mannwhitneyu(a, b, method="asymptotic", use_continuity=True).pvalue
    assert rank_sum_test(list(a), list(b)) == pytest.approx(wanted)
    assert rank_sum_test([1.0, 1.0], [1.0]) == 1.0


def test_dispersion_is_the_scaled_median_deviation() -> None:
    values = np.random.default_rng(0).normal(2.5, 0.3, 41)
    wanted = stats.median_abs_deviation(values, scale="normal") / np.median(values)
    assert dispersion(list(values)) == pytest.approx(wanted, rel=1e-4)

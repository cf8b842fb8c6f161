"""What counts of letters make of a habit, by exact tests.

Binomial tails are checked against scipy.stats; the shares are those of the issue that asked for
statements (0.3 and 0.7), no outside source.
"""

from __future__ import annotations

import pytest
from scipy.stats import binom, binomtest

from crownlet.infer.habits.judge import (
    MIN_FIT_OF_LETTER,
    Count,
    fits,
    judge_count,
    judge_letters,
    upper_tail,
)


@pytest.mark.parametrize(
    ("seen", "of"), [(0, 3), (5, 5), (3, 8), (40, 60), (60, 67), (150, 1500), (2600, 5200)]
)
def test_tails_are_binomial(seen: int, of: int) -> None:
    for rate in (0.1, 0.5, 0.9):
        assert upper_tail(Count(seen, of), rate) == pytest.approx(binom.sf(seen - 1, of, rate))
        chance = binomtest(seen, of, rate).pvalue
        assert fits(Count(seen, of), rate) == (chance >= MIN_FIT_OF_LETTER)


@pytest.mark.parametrize(
    ("seen", "of", "kind"),
    [
        (5, 5, "habit"), (4, 4, None), (45, 60, "habit"), (31, 60, "unsteady"),
        (3, 60, None), (17, 60, None), (2, 5, None), (0, 30, None),
    ],
)  # fmt: skip
def test_shares_and_numbers_decide(seen: int, of: int, kind: str | None) -> None:
    assert judge_count(Count(seen, of)) == kind


def test_few_letters_follow_the_others_and_other_forms_do_not() -> None:
    counts = {"ב": Count(67, 67), "ק": Count(2, 2), "ד": Count(1, 24)}
    assert judge_letters(counts) == {"ב": "habit", "ק": "habit"}


def test_a_form_of_few_letters_is_no_habit_beside_unsteady_ones() -> None:
    """Six of seven where half is usual come by chance (binomial, 0.06); twenty of twenty do not."""
    counts = {"ט": Count(6, 7), "ש": Count(25, 50), "ז": Count(0, 12), "ק": Count(20, 20)}
    assert binomtest(6, 7, 0.5).pvalue > MIN_FIT_OF_LETTER > binomtest(20, 20, 0.5).pvalue
    assert judge_letters(counts) == {"ט": "unsteady", "ש": "unsteady", "ק": "habit"}


def test_forms_of_one_rate_are_one_statement() -> None:
    counts = {"ב": Count(30, 40), "ד": Count(13, 20), "ר": Count(18, 25)}
    assert set(judge_letters(counts).values()) == {"habit"}

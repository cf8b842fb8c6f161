"""Habits of hands compared between sources, each scribe counting once."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from crownlet.infer.survey.data import SurveyArrays, build_arrays
from crownlet.infer.survey.habits import compare_habits
from crownlet.infer.survey.scroll_counts import ScrollCounts


def arrays(has: np.ndarray, read: bool, scribes: list[str] | None = None) -> SurveyArrays:
    """Ten scrolls of A, ten of B, 30 beths each; hands with the habit leave out every crown."""
    rng = np.random.default_rng(1)
    scroll = np.repeat(np.arange(20), 30)
    truth = (rng.random((1, 600)) < np.where(has[scroll], 0.95, 0.05)).astype(float)
    return build_arrays(
        ["tag_missing"], scroll, np.array(["A", "B"])[scroll // 10], truth * 0.9,
        label=truth if read else None, letter=["ב"] * 600,
        scribe=np.array(scribes)[scroll] if scribes else None,
    )  # fmt: skip


def written(folder: Path, has: np.ndarray) -> tuple[ScrollCounts, ...]:
    """scrolls.json as the inspection writes it, with a statement where the hand has the habit."""
    habit = {"defect": "tag_missing", "tags_expected": 1, "letters": "ב"}
    scrolls = [{"name": f"S{k:03d}", "habits": [habit] if one else []} for k, one in enumerate(has)]
    (folder / "scrolls.json").write_text(json.dumps({"scrolls": scrolls}), encoding="utf-8")
    return tuple(ScrollCounts(f"S{k:03d}", "AB"[k // 10], 1, 0, 30, 0) for k in range(len(has)))


HAS = np.array([True] * 8 + [False] * 2 + [True] * 1 + [False] * 9)


def test_the_tools_statements_are_counted_without_a_test(tmp_path: Path) -> None:
    rows, contrasts = compare_habits(tmp_path, arrays(HAS, read=False), written(tmp_path, HAS))
    assert [(r.source, r.n_with_habit, r.n_clusters, r.basis) for r in rows] == [
        ("A", 8, 10, "unaudited"), ("B", 1, 10, "unaudited"),
    ]  # fmt: skip
    assert not contrasts and all(r.p_value is None and r.ci_low is None for r in rows)
    assert all(r.tags_expected == 1 and r.letters == "ב" for r in rows)


def test_checked_habits_have_exact_limits_and_an_exact_test(tmp_path: Path) -> None:
    """8 of 10 against 1 of 10: Clopper and Pearson's limits by statsmodels, Barnard's p by
    scipy."""
    rows, contrasts = compare_habits(tmp_path, arrays(HAS, read=True), written(tmp_path, HAS))
    assert [r.n_with_habit for r in rows] == [8, 1]
    for row in rows:
        theirs = proportion_confint(row.n_with_habit, 10, method="beta")
        assert (row.ci_low, row.ci_high) == pytest.approx(theirs)
    [contrast] = contrasts
    assert (contrast.first, contrast.second) == ("A", "B")
    assert contrast.difference == pytest.approx(0.7)
    # Those without the habit: scipy loses a tie of the same table by rounding otherwise.
    theirs = stats.barnard_exact([[9, 2], [1, 8]], n=256).pvalue
    assert contrast.p_value == pytest.approx(theirs, abs=1e-4)
    assert rows[0].p_value == contrast.p_value == contrast.p_value_holm == rows[0].p_value_holm
    assert 0 < contrast.ci_low < 0.7 < contrast.ci_high < 1


def test_a_habit_counts_once_for_each_scribe(tmp_path: Path) -> None:
    scribes = ["H1"] * 8 + ["H2", "H3"] + [f"H{k}" for k in range(4, 14)]
    rows, _ = compare_habits(tmp_path, arrays(HAS, True, scribes), written(tmp_path, HAS))
    assert [(r.n_with_habit, r.n_clusters) for r in rows] == [(1, 3), (1, 10)]


def test_no_row_without_a_list_of_scrolls(tmp_path: Path) -> None:
    assert compare_habits(tmp_path, arrays(HAS, read=True), ()) == ((), ())

"""Paired differences against scipy, scikit-learn and the bootstrap; the verdict; the store."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from sklearn.metrics import roc_auc_score

from crownlet.datasets.coco.truth import DefectMark
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean
from crownlet.train.evaluation.defect_scores import gather_cases
from crownlet.train.evaluation.matching import Detection
from crownlet.train.release.compare import (
    Difference,
    ScoredDefect,
    SuiteComparison,
    compare_aurocs,
    compare_rates,
)
from crownlet.train.release.job import PromotionRule, list_reasons_against
from crownlet.train.release.promote import ModelStore, ModelStoreError


def test_of_scrolls_of_one_size_the_interval_is_the_paired_t_interval() -> None:
    rng = np.random.default_rng(3)
    old, new = rng.poisson(9, 14), rng.poisson(6, 14)
    found = compare_rates(old, new, np.full(14, 200))
    known = stats.ttest_rel(new / 200, old / 200).confidence_interval(0.95)
    assert (found.low, found.high) == pytest.approx((known.low, known.high), rel=1e-9)


def test_models_that_agree_on_every_letter_have_not_shown_that_they_always_do() -> None:
    found = compare_rates([1, 0, 0], [1, 0, 0], [50, 50, 50])
    # One error more in 150 letters, and the t quantile of two degrees of freedom.
    assert found.high == pytest.approx(stats.t.ppf(0.975, 2) / 150)
    assert compare_rates([1], [0], [50]).low is None


def scored(rng: np.random.Generator, lift: float) -> tuple[ScoredDefect, ScoredDefect]:
    """Two models on 40 scrolls of 25 letters; each scroll has a leaning of its own."""
    scroll = np.repeat(np.arange(40), 25)
    plain = rng.random(1000) < 0.3
    base = plain + rng.normal(0, 0.6, 40)[scroll] * plain + rng.normal(0, 0.8, 1000)
    return ScoredDefect(scroll, base, plain), ScoredDefect(scroll, base + lift * plain, plain)


def test_areas_are_those_of_scikit_learn_and_limits_those_of_the_bootstrap_by_scroll() -> None:
    rng = np.random.default_rng(5)
    old, other = scored(rng, 0.2)
    new = replace(other, p=other.p + rng.normal(0, 0.3, 1000))
    found = compare_aurocs([(old, new)], 40)
    assert found is not None
    assert found.old == pytest.approx(roc_auc_score(old.plain, old.p))
    assert found.new == pytest.approx(roc_auc_score(new.plain, new.p))
    drawn = []
    for _ in range(300):
        rows = (rng.integers(0, 40, 40)[:, None] * 25 + np.arange(25)).ravel()
        plain = old.plain[rows]
        drawn.append(roc_auc_score(plain, new.p[rows]) - roc_auc_score(plain, old.p[rows]))
    reach = stats.t.ppf(0.975, 39) * np.std(drawn)
    assert found.high is not None
    assert found.high - found.difference == pytest.approx(reach, rel=0.15)


def difference(old: float, new: float, reach: float) -> Difference:
    return Difference(old, new, new - old - reach, new - old + reach, 20, 1000)


RULE = PromotionRule(("scans",), ("renders",), 0.001, 0.005)


def suites(scans: Difference, renders: Difference) -> dict[str, SuiteComparison]:
    return {
        "scans": SuiteComparison({"letters": scans}),
        "renders": SuiteComparison({"letters": renders, "defects": difference(0.95, 0.95, 0.001)}),
    }


def test_better_where_asked_and_within_the_margin_elsewhere_speaks_against_nothing() -> None:
    good = suites(difference(0.04, 0.02, 0.01), difference(0.004, 0.0041, 0.0005))
    assert list_reasons_against(good, RULE) == []


def test_each_number_that_speaks_against_a_model_is_named() -> None:
    (why,) = list_reasons_against(
        suites(difference(0.04, 0.03, 0.02), difference(0.004, 0.004, 0.0)), RULE
    )
    assert why == (
        "scans, letters: 4.00% before, 3.00% now (-3.00 to +1.00, 20 scrolls);"
        " not shown to be better"
    )
    good = difference(0.04, 0.02, 0.01)
    (why,) = list_reasons_against(suites(good, difference(0.004, 0.004, 0.002)), RULE)
    assert "not shown to be worse by 0.1 points at most" in why
    (why,) = list_reasons_against(suites(good, difference(0.004, 0.01, 0.002)), RULE)
    assert "worse by more than 0.1 points" in why
    lost = suites(good, difference(0.004, 0.004, 0.0))
    lost["renders"].by_defect["tag_missing"] = difference(0.99, 0.9, 0.02)
    (why,) = list_reasons_against(lost, RULE)
    assert why.startswith("renders, tag_missing: 0.9900 before, 0.9000 now")
    for unheard in ("unheard", "scans/crowns"):
        suite, _, measure = unheard.partition("/")
        (why, _) = list_reasons_against(lost, replace(RULE, must_improve=(unheard,)))
        assert why == f"{suite}, {measure or 'letters'}: to be better, and not measured"
    blind = {"scans": suites(good, good)["scans"]}
    assert list_reasons_against(blind, RULE) == ["renders: guarded, and not measured"]


def test_what_nobody_looked_for_is_neither_there_nor_absent() -> None:
    letter = compose(clean(letters=(20, 30)), 1).letters[0]
    seen = [Detection(letter.letter, letter.box, {"part_loose": 0.7, "tag_missing": 0.2})]
    asked = replace(letter, known=("part_loose",), tags=-1)
    assert len(gather_cases([asked], seen, "part_loose").p) == 1
    assert len(gather_cases([asked], seen, "tag_missing").p) == 0
    counted = replace(asked, known=None)
    assert len(gather_cases([counted], seen, "tag_missing").p) == 0
    judged = replace(asked, known=("tag_missing",), defects=(DefectMark("tag_missing", 1.0),))
    assert gather_cases([judged], seen, "tag_missing").plainness.tolist() == [1.0]


def made_up(folder: Path, content: bytes) -> Path:
    """A model folder whose networks are a few bytes."""
    folder.mkdir(parents=True)
    names = ("locator.onnx", "assessor.onnx")
    for name in names:
        (folder / name).write_bytes(content)
    sums = [f"{hashlib.sha256(content).hexdigest()}  {name}\n" for name in names]
    (folder / "checksums.sha256").write_text("".join(sums), "ascii")
    return folder


def test_a_version_put_aside_comes_back_with_every_byte(tmp_path: Path) -> None:
    current = made_up(tmp_path / "in use", b"old")
    (current / "__init__.py").write_text("", "utf-8")
    (current / "routing.yaml").write_text("old: 1\n", "utf-8")
    store = ModelStore(tmp_path / "store", current)
    store.keep(current, "1")
    new = store.keep(made_up(tmp_path / "new", b"new"), "2")
    with pytest.raises(ModelStoreError, match="choose another"):
        store.keep(current, "2")
    with pytest.raises(ModelStoreError, match="put aside yet"):
        store.restore()
    store.use(new.name, "1", "tried")
    assert (current / "assessor.onnx").read_bytes() == b"new"
    # The folder stays a package of Python, and nothing of the old version stays in it.
    assert (current / "__init__.py").exists()
    assert not (current / "routing.yaml").exists()
    assert store.restore() == "1"
    assert (current / "assessor.onnx").read_bytes() == b"old"
    assert (current / "routing.yaml").read_text("utf-8") == "old: 1\n"
    assert [row["to"] for row in store.history()] == ["2", "1"]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["in use", "new", "store"]
    (store.folder / "2" / "assessor.onnx").write_bytes(b"bad")
    with pytest.raises(Exception, match="checksum"):
        store.use("2", "1", "damaged")
    assert (current / "assessor.onnx").read_bytes() == b"old"

"""Drift: chances against scipy and by simulation; renders that are like, type that is not."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from crownlet.datasets.coco.truth import PageTruth
from crownlet.infer.cli import main
from crownlet.infer.drift.compare import (
    ALPHA,
    binomial_tail,
    compare_run,
    drift_lines,
    smirnov_p,
)
from crownlet.infer.drift.errors import (
    ErrorCurve,
    ExpectedErrorRate,
    ScrollReading,
    error_words,
    read_error_curve,
)
from crownlet.infer.drift.reference import (
    FEATURES,
    DriftReference,
    fit_reference,
    page_features,
    read_drift_reference,
)
from crownlet.infer.inspector import Inspector
from crownlet.infer.networks import weights_folder
from crownlet.infer.records import PageRecord
from crownlet.infer.run.write import write_page
from crownlet.train.calibration.drift_reference import reference_jobs
from crownlet.train.calibration.expected_error import ReadPages, fit_error_curve, hard_page
from crownlet.train.evaluation.matching import count_letter_errors
from crownlet.train.evaluation.type_pages import TypeSpec, compose_type_page

MODEL = {"assessor.onnx": "a"}


def drawn(rng: np.random.Generator, count: int) -> np.ndarray:
    """Pages whose features hang together and are skewed, as real ones are."""
    common = rng.gamma(2.0, 1.0, (count, 1))
    return common * 0.5 + rng.gamma(1.5, 1.0, (count, len(FEATURES)))


def test_pages_of_the_known_kind_stand_out_no_oftener_than_is_stated() -> None:
    """Exactness of split conformal prediction (Vovk, Gammerman and Shafer 2005)."""
    rng = np.random.default_rng(8)
    alarms = []
    for _ in range(60):
        reference = fit_reference(drawn(rng, 120), MODEL, "made up")
        alarms.append((reference.chances(drawn(rng, 200)) <= ALPHA).mean())
    # The mean of 60 references, whose own rates have a spread of 0.028 (Beta(3, 58)).
    assert np.mean(alarms) <= ALPHA + 3 * 0.028 / np.sqrt(60)
    assert np.mean(alarms) > 0.02


def test_chances_are_those_of_scipy() -> None:
    assert binomial_tail(3, 20) == pytest.approx(stats.binom.sf(2, 20, ALPHA))
    rng = np.random.default_rng(2)
    known, new = rng.normal(size=80), rng.normal(0.4, 1, size=30)
    other = stats.ks_2samp(known, new, alternative="greater", method="asymp")
    size = 80 * 30 / 110
    # scipy corrects Smirnov's limit for small samples; the gap itself is the same.
    assert smirnov_p(known, new) == pytest.approx(np.exp(-2 * size * other.statistic**2))
    assert smirnov_p(new, known) > 0.5


def test_a_run_that_is_a_little_worse_all_over_is_stated_though_no_scroll_stands_out() -> None:
    rng = np.random.default_rng(4)
    reference = fit_reference(drawn(rng, 200), MODEL, "made up")
    scrolls = {f"s{k}": row for k, row in enumerate(drawn(rng, 30))}
    assert compare_run(reference, scrolls).likeness == "alike"
    worse = {name: row + np.eye(len(FEATURES))[0] * 1.5 for name, row in scrolls.items()}
    found = compare_run(reference, worse)
    assert found.likeness in ("shifted", "unlike")
    assert [feature.name for feature in found.shifted] == ["doubt"]
    strange = {"one": scrolls["s0"] + 1000.0}
    assert compare_run(reference, strange).likeness == "unlike"


@pytest.fixture(scope="module")
def inspector() -> Inspector:
    return Inspector(measure="none")


@pytest.fixture(scope="module")
def known() -> DriftReference:
    return read_drift_reference(weights_folder())


def record(inspector: Inspector, page: PageTruth, name: str) -> PageRecord:
    return inspector.inspect(page.image, None, name)


def test_hands_never_seen_are_like_what_is_known_and_type_is_not(
    inspector: Inspector, known: DriftReference, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Renders by held-out hands; type is Debian's culmus, black on white."""
    for k, job in enumerate(reference_jobs(4, "heldout", 970_000_000)):
        write_page(record(inspector, job.page(), f"held{k}"), tmp_path / "renders")
    assert main(["drift", str(tmp_path / "renders")]) == 0
    out = capsys.readouterr().out
    assert "look like what the networks know" in out
    assert "Expect " in out
    found = json.loads((tmp_path / "renders" / "drift.json").read_text("utf-8"))
    assert found["likeness"] == "alike"
    assert len(found["scrolls"]) == 4
    assert found["unknown_hands"] <= 1  # as many as chance has
    # The card has below one percent of held-out hands: it lies in the range.
    assert found["expected_misread"]["low"] < 0.01 < found["expected_misread"]["high"]

    type_page = compose_type_page(TypeSpec("ashkenaz", "alphabet", 64), 0)
    few_lines = replace(type_page, image=type_page.image[: type_page.image.shape[0] // 5])
    printed = record(inspector, few_lines, "type")
    comparison = compare_run(known, {"type": page_features(printed)})
    assert comparison.likeness == "unlike"
    assert comparison.scrolls[0].features

    # A reference that belongs to other networks is not used.
    write_page(printed, tmp_path / "run")
    page = tmp_path / "run" / "type" / "page.json"
    data = json.loads(page.read_text("utf-8"))
    data["versions"] = {"model": {"assessor.onnx": "of others"}}
    page.write_text(json.dumps(data), "utf-8")
    assert main(["drift", str(tmp_path / "run")]) == 2
    assert "belongs to other networks" in capsys.readouterr().err


def test_far_hands_are_named_with_the_errors_to_expect(
    inspector: Inspector, known: DriftReference, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Drawn hands slanted, narrowed and bent beyond all training, in poor pictures: what is said
    of them beside what is written there. Pages 3000 on had no part in the curve."""
    letters = misread = 0
    for number in (3001, 3005, 3007, 3011):
        truth = hard_page(number)
        page = record(inspector, truth, f"far{number}")
        errors = count_letter_errors(truth.letters, page.glyphs)
        letters, misread = letters + errors.true, misread + errors.substituted.total()
        write_page(page, tmp_path)
    assert main(["drift", str(tmp_path)]) == 0
    out = capsys.readouterr().out
    assert "Written unlike what the networks know (an unknown hand" in out
    assert "which the promise does not cover. Expect " in out
    found = json.loads((tmp_path / "drift.json").read_text("utf-8"))
    assert found["likeness"] == "unlike"
    assert found["unknown_hands"] >= 1
    expected = found["expected_misread"]
    assert expected["share"] > 3 * found["usual_misread"]
    assert expected["low"] <= misread / letters <= 1.5 * expected["high"]


def test_the_errors_to_expect_are_those_of_pages_read_as_surely() -> None:
    """Pages whose letters are misread as often as their mean doubt says: the curve is the identity;
    between its points it goes by the logarithm, and in greater doubt it is at least the last."""
    rng = np.random.default_rng(6)
    doubt = np.exp(rng.uniform(np.log(0.005), np.log(0.2), 600))
    letters = rng.integers(40, 120, 600).astype(float)
    misread = rng.binomial(letters.astype(int), doubt).astype(float)
    curve = fit_error_curve(ReadPages(doubt, letters, misread, doubt < 0.01), "made up")
    assert (np.diff(curve.share) >= 0).all()
    assert np.allclose(curve.share[5:], curve.doubt[5:], rtol=0.35)
    inside = [
        curve.at(d).low <= m / n <= curve.at(d).high
        for d, m, n in zip(doubt, misread, letters, strict=True)
    ]
    assert 0.75 < np.mean(inside) < 0.97
    plain = ErrorCurve(
        np.array([0.01, 0.1]), np.array([0.0, 0.08]), np.zeros(2), np.array([0.02, 0.15]), 0.004, ""
    )
    assert plain.at(np.sqrt(0.001)).share == pytest.approx(0.04)
    assert plain.at(0.3) == ExpectedErrorRate(0.08, 0.0, 0.15, beyond=True)
    assert error_words(plain.at(0.1)) == "about 8% of the letters misread (0 to 15%)"
    assert error_words(plain.at(0.3)) == "at least 8% of the letters misread (0 to 15%)"
    assert read_error_curve(json.loads(json.dumps(plain.as_values()))) is not None
    assert read_error_curve(None) is None
    with pytest.raises(ValueError, match="does not rise"):
        read_error_curve({**plain.as_values(), "doubt": [0.1, 0.1]})


def test_an_older_reference_says_nothing_of_errors_and_an_older_run_nothing_of_hands() -> None:
    rng = np.random.default_rng(4)
    reference = fit_reference(drawn(rng, 200), MODEL, "made up")
    rows = {f"s{k}": row for k, row in enumerate(drawn(rng, 3))}
    unknown = {name: ScrollReading(50, 0.02, False) for name in rows}
    found = compare_run(reference, rows, unknown)
    assert (found.likeness, found.unknown_hands, found.expected) == ("unlike", 3, None)
    assert "Expect" not in " ".join(drift_lines(found))
    silent = {name: ScrollReading(50, 0.02, None) for name in rows}
    assert compare_run(reference, rows, silent).unknown_hands == 0

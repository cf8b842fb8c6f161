"""A whole survey from its tables of letters: bases, cautions, time, and what is written."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from crownlet.infer.survey.compare import compare_arrays
from crownlet.infer.survey.data import SurveyTableError, build_arrays
from crownlet.infer.survey.narrative import summarise_defects
from crownlet.infer.survey.records import DefectRate, SurveyComparison
from crownlet.infer.survey.report import write_comparison

SCROLLS, LETTERS = 6, 120
SOURCES = ("A", "B", "C")


def small(seed: int = 0, **more: object) -> SurveyComparison:
    """Three sources of six scrolls, two defects; the second never applies to every other letter."""
    rng = np.random.default_rng(seed)
    scroll = np.repeat(np.arange(3 * SCROLLS), LETTERS)
    source = np.array(SOURCES)[scroll // SCROLLS]
    truth = rng.random((2, len(scroll))) < 0.1
    predicted = np.clip(truth * 0.7 + 0.2 * rng.random(truth.shape), 0, 1)
    predicted[1, ::2] = np.nan
    given: dict[str, object] = {"label": None, "inclusion_probability": 1.0}
    given.update({name: make(truth, scroll) for name, make in more.items()})  # type: ignore[operator]
    return compare_arrays(("heel_missing", "tag_bare"), scroll, source, predicted, **given)


def whole(truth: np.ndarray, scroll: np.ndarray) -> np.ndarray:
    return truth.astype(float)


def first_thirty(truth: np.ndarray, scroll: np.ndarray) -> np.ndarray:
    return np.where(np.arange(truth.shape[1]) % LETTERS < 30, truth, np.nan)


def a_quarter(truth: np.ndarray, scroll: np.ndarray) -> np.ndarray:
    return np.full(truth.shape[1], 0.25)


def rate(results: SurveyComparison, defect: str, source: str) -> DefectRate:
    return next(r for r in results.rates if (r.defect, r.source) == (defect, source))


def test_a_bare_network_is_marked_unaudited_and_has_neither_limits_nor_tests() -> None:
    results = small()
    assert all(r.ci_low is r.ci_high is r.std_error is r.icc is None for r in results.rates)
    assert all(c.p_value is c.ci_low is c.p_value_holm is None for c in results.contrasts)
    assert {r.basis for r in results.rates} == {"unaudited"}
    assert all(r.note.startswith("Unaudited") and r.n_audited == 0 for r in results.rates)
    assert {c.basis for c in results.contrasts} == {"unaudited"}


def test_letters_that_cannot_have_a_defect_are_not_counted() -> None:
    results = small(label=whole)
    assert rate(results, "heel_missing", "A").n_letters == SCROLLS * LETTERS
    assert rate(results, "tag_bare", "A").n_letters == SCROLLS * LETTERS // 2
    assert rate(results, "tag_bare", "B").basis == "read"


def test_a_full_reading_counts_what_was_read() -> None:
    """By counting in the same draw; the network's word does not matter then."""
    results = small(label=whole)
    truth = np.random.default_rng(0).random((2, 3 * SCROLLS * LETTERS)) < 0.1
    for place, source in enumerate(SOURCES):
        mine = truth[0, place * SCROLLS * LETTERS : (place + 1) * SCROLLS * LETTERS]
        assert rate(results, "heel_missing", source).estimate == pytest.approx(mine.mean())


def test_an_audit_of_every_letter_is_a_full_reading() -> None:
    """Chances of 1, and one letter that nobody could read: audited, and all but equal."""

    def but_one(truth: np.ndarray, scroll: np.ndarray) -> np.ndarray:
        label = truth.astype(float)
        label[:, 0] = np.nan
        return label

    read, audited = small(label=whole), small(label=but_one)
    one, other = (rate(r, "heel_missing", "A") for r in (read, audited))
    assert (one.basis, other.basis) == ("read", "audited")
    assert other.estimate == pytest.approx(one.estimate, abs=2e-3)
    assert other.ci_high == pytest.approx(one.ci_high, abs=5e-3)


def test_audited_letters_correct_the_network() -> None:
    """The network says 0.8 where there is a defect and 0.1 where not; one in ten has it."""
    results = small(label=first_thirty, inclusion_probability=a_quarter)
    found, bare = rate(results, "heel_missing", "A"), rate(small(), "heel_missing", "A")
    true = (np.random.default_rng(0).random((2, 3 * SCROLLS * LETTERS)) < 0.1)[
        0, : SCROLLS * LETTERS
    ]
    assert found.basis == "audited" and found.n_audited == SCROLLS * 30
    assert abs(found.estimate - true.mean()) < 0.02 < abs(bare.estimate - true.mean())
    assert found.ci_low is not None and found.ci_low < true.mean() < (found.ci_high or 0)


def test_few_scrolls() -> None:
    rng = np.random.default_rng(2)
    scroll = np.repeat(["a1", "a2", "b1", "b2", "b3"], 50)
    label = (rng.random((1, 250)) < 0.2).astype(float)
    results = compare_arrays(
        ["heel_missing"], scroll, [name[0] for name in scroll], label, label=label
    )
    two, three = results.rates
    assert two.ci_low is two.ci_high is None and "No interval" in two.note
    assert three.ci_low is not None and three.note.endswith("Few scrolls: 3.")
    assert results.contrasts[0].p_value is None and results.contrasts[0].p_value_holm is None
    assert results.contrasts[0].note.startswith("too few scrolls: one source has 2")


def test_contrasts_rest_on_scrolls_and_are_corrected_over_all() -> None:
    """p of all 924 ways to deal out twelve scrolls, by scipy, of a statistic written here."""
    results = small(label=whole)
    truth = np.random.default_rng(0).random((2, 3 * SCROLLS, LETTERS)) < 0.1
    own = truth[0].mean(axis=1)

    def statistic(first: np.ndarray, second: np.ndarray, axis: int = -1) -> np.ndarray:
        v = [np.var(x, axis=axis, ddof=1) for x in (first, second)]
        shrunken = [(5 * one + 20 * (v[0] + v[1]) / 2) / 25 / 6 for one in v]
        difference = first.mean(axis=axis) - second.mean(axis=axis)
        return np.abs(difference) / np.sqrt(shrunken[0] + shrunken[1])

    theirs = stats.permutation_test(
        (own[:SCROLLS], own[SCROLLS : 2 * SCROLLS]), statistic, vectorized=True,
        n_resamples=np.inf, alternative="greater",
    )  # fmt: skip
    assert results.contrasts[0].p_value_exact == pytest.approx(theirs.pvalue, abs=1e-9)
    assert results.contrasts[0].difference == pytest.approx(
        results.rates[0].estimate - results.rates[1].estimate
    )
    p = [c.p_value_exact for c in results.contrasts]
    assert len(p) == 6 and None not in p
    expected = multipletests(np.array(p, dtype=float), method="holm")[1]
    assert [c.p_value_holm for c in results.contrasts] == pytest.approx(list(expected))


def test_an_audited_source_is_not_tested_against_a_bare_one() -> None:
    def only_a(truth: np.ndarray, scroll: np.ndarray) -> np.ndarray:
        return np.where(scroll < SCROLLS, first_thirty(truth, scroll), np.nan)

    results = small(label=only_a, inclusion_probability=a_quarter)
    tested = {(c.first, c.second): c.p_value is not None for c in results.contrasts}
    assert not any(tested.values())
    assert all("not audited in both" in contrast.note for contrast in results.contrasts)


def test_sides_of_a_scroll_are_pairs() -> None:
    rng = np.random.default_rng(3)
    scroll = np.repeat(np.arange(9), 80)
    side = np.tile(np.repeat(["face", "reverse"], 40), 9)
    label = (rng.random(720) < np.where(side == "face", 0.1, 0.3)).astype(float)
    results = compare_arrays(
        ["heel_missing"], scroll, ["A"] * 720, label[None], label=label[None], side=side
    )
    by_side = label.reshape(9, 2, 40).mean(axis=2)
    theirs = stats.permutation_test(
        (by_side[:, 0], by_side[:, 1]), lambda a, b: abs((a - b).mean()),
        permutation_type="samples", n_resamples=np.inf, alternative="greater",
    )  # fmt: skip
    assert results.side_contrasts[0].n_clusters == 9 and results.side_contrasts[0].difference < 0
    assert results.side_contrasts[0].p_value_exact == pytest.approx(theirs.pvalue, abs=1e-9)
    assert small().side_contrasts == ()


def test_shares_of_scrolls() -> None:
    """By counting; they are the tool's word and have no limits."""
    scroll = np.repeat(np.arange(6), 10)
    predicted = np.zeros((2, 60))
    predicted[0, [3, 14]] = 0.9
    predicted[1, [15]] = 0.9
    results = compare_arrays(["heel_missing", "tag_bare"], scroll, ["A"] * 60, predicted)
    counts = [(share.defect, share.n_with_finding) for share in results.shares]
    assert counts == [("heel_missing", 2), ("tag_bare", 1), ("any", 2)]


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({"label": [[2.0, 0, 0, 0]]}, "label must lie from 0 to 1"),
        ({"inclusion_probability": [0.0, 1, 1, 1]}, "inclusion_probability"),
        ({"label": [[0.0, 1]]}, "shape"),
    ],
)
def test_arrays_that_do_not_fit_are_refused(more: dict[str, object], message: str) -> None:
    with pytest.raises(SurveyTableError, match=message):
        compare_arrays(["tag_bare"], [0, 0, 1, 1], ["A"] * 4, [[0.1, 0.2, 0.3, 0.4]], **more)


def test_a_scroll_of_two_sources_is_refused_by_name() -> None:
    with pytest.raises(SurveyTableError, match="scroll s2 has letters of two sources"):
        compare_arrays(["tag_bare"], ["s1", "s2", "s2"], ["A", "A", "B"], [[0.1, 0.2, 0.3]])


def test_tables_are_the_same_bytes_each_time(tmp_path: Path) -> None:
    results = small(label=first_thirty, inclusion_probability=a_quarter)
    for folder in ("one", "two with space"):
        write_comparison(results, tmp_path / folder)
    names = sorted(path.name for path in (tmp_path / "one").iterdir())
    assert names == [
        "contrasts.csv", "omnibus.csv", "pairs.csv", "rates.csv", "shares.csv", "shrunken.csv"
    ]  # fmt: skip
    for name in names:
        one, two = ((tmp_path / f / name).read_bytes() for f in ("one", "two with space"))
        assert one == two
    with (tmp_path / "one" / "rates.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["source"] for row in rows[:3]] == list(SOURCES)
    assert float(rows[0]["estimate"]) == pytest.approx(results.rates[0].estimate)


@pytest.mark.parametrize("sources", [4, 20])
def test_two_hundred_scrolls_within_the_time(
    sources: int, relative_time: Callable[..., float]
) -> None:
    """Issue 18: 200 scrolls, 140,000 letters, 22 defects, in at most 20 s of processor time; of
    20 sources each is compared with the others, not 4,180 pairs."""
    rng = np.random.default_rng(8)
    scroll = np.repeat(np.arange(200), 700)
    predicted = rng.beta(0.3, 8, (22, 140_000))
    predicted[rng.random(predicted.shape) < 0.6] = np.nan
    label = np.where(rng.random(140_000) < 0.06, (rng.random(predicted.shape) < predicted), np.nan)
    source = np.array([f"S{number:02d}" for number in range(sources)])[scroll % sources]
    made: list[SurveyComparison] = []

    def compare() -> None:
        made.append(
            compare_arrays(
                [f"d{n}" for n in range(22)], scroll, source, predicted, label=label,
                inclusion_probability=0.06,
            )
        )  # fmt: skip

    # Measured 32 and 102; of 20 sources 4,180 pairs would be twenty times the contrasts.
    assert relative_time(compare) < (150 if sources == 4 else 400)
    (results,) = made
    assert len(results.rates) == 22 * sources
    assert len(results.contrasts) == (22 * 6 if sources == 4 else 22 * 20)
    assert len(results.omnibus) == 22


def test_the_scribe_is_the_unit_where_known_and_the_scroll_elsewhere() -> None:
    """By hand: two scrolls of one scribe are one unit; in another source the scribe is another."""
    built = build_arrays(
        ["tag_bare"], ["s1", "s2", "s3", "s4"], list("AAAB"), [[0.1] * 4],
        scribe=["H1", "H1", "", "H1"],
    )  # fmt: skip
    assert built.unit_of.tolist() == [0, 0, 1, 2]
    with pytest.raises(SurveyTableError, match="two scribes"):
        build_arrays(["tag_bare"], ["s", "s"], list("AA"), [[0.1] * 2], scribe=["H1", "H2"])


def test_an_open_question_counts_the_scrolls_of_the_sources_it_asks_about() -> None:
    """Two sources of 6 scrolls that are alike, and one of a single scroll that is not compared. No
    outside source."""
    scroll = np.repeat(np.arange(13), 50)
    source = np.array(list("ABC"))[np.minimum(scroll // 6, 2)]
    truth = np.random.default_rng(2).random(650) < 0.1
    results = compare_arrays(["ink_lost"], scroll, source, [truth], label=[truth])
    [summary] = summarise_defects(results, "scroll")
    assert "With 6 scrolls a source the survey cannot tell whether A differs from B." in (
        summary.sentences
    )

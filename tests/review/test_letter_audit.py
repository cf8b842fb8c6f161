"""Letters judged whole: drawn at random, asked blind, and the exact bound that follows."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import pytest
import synthetic_runs as made
from scipy.stats import hypergeom
from statsmodels.stats.proportion import proportion_confint

from crownlet.infer.review.exact_bounds import (
    binomial_upper_bound,
    finite_upper_bound,
    letters_needed,
)
from crownlet.infer.review.export import export_review
from crownlet.infer.review.letter_audit import (
    LetterAudit,
    audit_scrolls,
    describe_audit,
    drawn_letters,
    letter_questions,
    threshold_for,
)
from crownlet.infer.review.models import LETTER_KIND
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.run.run import Run


@pytest.mark.parametrize(("faults", "looked_at"), [(0, 1), (0, 60), (1, 60), (7, 200), (59, 60)])
def test_the_bound_of_a_hand_is_that_of_clopper_and_pearson(faults: int, looked_at: int) -> None:
    # statsmodels, method "beta" of two sides at 90% has the upper end of one side at 95%.
    _, high = proportion_confint(faults, looked_at, alpha=0.1, method="beta")
    assert binomial_upper_bound(faults, looked_at) == pytest.approx(high, abs=1e-9)


def test_the_bound_of_a_hand_at_its_ends() -> None:
    assert binomial_upper_bound(5, 5) == 1.0
    # The rule of three (Hanley and Lippman-Hand, JAMA 249, 1983): 3 / n at 95%.
    assert binomial_upper_bound(0, 300) == pytest.approx(3 / 300, rel=0.01)
    with pytest.raises(ValueError, match="cannot be"):
        binomial_upper_bound(3, 2)


@pytest.mark.parametrize(
    ("faults", "looked_at", "letters"), [(0, 60, 640), (2, 60, 640), (0, 640, 640), (3, 9, 17)]
)
def test_the_bound_of_a_scroll_is_exact(faults: int, looked_at: int, letters: int) -> None:
    most = finite_upper_bound(faults, looked_at, letters)
    # scipy: the largest number of faulty letters with which so few would still be seen.
    chance = hypergeom.cdf(faults, letters, range(letters + 1), looked_at)
    assert most == max(k for k in range(letters + 1) if chance[k] > 0.05)


def test_the_bound_holds_as_often_as_it_says() -> None:
    letters, faulty, looked_at = 200, 11, 40
    holds = sum(
        hypergeom.pmf(seen, letters, faulty, looked_at)
        for seen in range(faulty + 1)
        if finite_upper_bound(seen, looked_at, letters) >= faulty
    )
    assert holds >= 0.95


@pytest.mark.parametrize("share", [0.01, 0.02, 0.05])
def test_letters_needed_are_enough_and_no_more(share: float) -> None:
    count = letters_needed(640, share)
    assert finite_upper_bound(0, count, 640) <= 640 * share
    assert finite_upper_bound(0, count - 1, 640) > 640 * share
    assert letters_needed(10, 1.0) == 0


def opened(run: Run, letters: int) -> ReviewStore:
    return ReviewStore.open(run.folder / "review.sqlite3", run, audit_share=0.0, letters=letters)


def test_letters_are_drawn_among_all_and_asked_like_any_other(tmp_path: Path) -> None:
    run = made.run(tmp_path / "run", ["a", "b"], doubted=0.3)
    with_letters = opened(run, 100)
    drawn = drawn_letters(with_letters)
    assert len(drawn) == len(set(drawn)) == 100
    # Also letters with a finding are drawn, so that being asked shows nothing.
    clear = audit_scrolls(run, drawn)
    inside = sum(audit.drawn for audit in clear.values())
    share = sum(audit.letters for audit in clear.values()) / (2 * 713)
    assert inside < 100
    # Within five standard deviations of the share that is clear.
    assert abs(inside - 100 * share) < 5 * (100 * share * (1 - share)) ** 0.5
    # A reader is not shown why a letter is asked, before or after.
    item = next(i for i in with_letters.items("anna") if i.kind == LETTER_KIND)
    assert item.origin is item.p is item.source is None
    with_letters.close()


def test_every_letter_has_the_same_chance(tmp_path: Path) -> None:
    run = made.run(tmp_path / "run", ["a"], letters=20)
    record = run.pages["a"].record
    count: Counter[int] = Counter()
    for seed in range(2000):
        asked = letter_questions("a", record, seed, threshold_for(run, seed, 5))
        assert len(asked) == 5
        count.update(question.glyphs[0] for question in asked)
    # Binomial with 2000 draws of 5 in 20: mean 500, standard deviation 19.4.
    assert all(abs(count[glyph] - 500) < 5 * 19.4 for glyph in range(1, 21))


def test_more_letters_are_drawn_beside_those_drawn_before(tmp_path: Path) -> None:
    run = made.run(tmp_path / "run", ["a"])
    store = opened(run, 20)
    first = {(d.page, d.glyph) for d in drawn_letters(store)}
    item = next(i for i in store.items("anna") if i.kind == LETTER_KIND)
    store.decide(item.id, "anna", "not_present", version=0)
    store.close()
    store = opened(run, 50)
    letters = drawn_letters(store)
    assert first < {(d.page, d.glyph) for d in letters} and len(letters) == 50
    assert [d.choice for d in letters].count("not_present") == 1
    store.close()
    store = opened(run, 0)
    assert len(drawn_letters(store)) == 50
    made.run(run.folder, ["c"])
    later = ReviewStore.open(run.folder / "review.sqlite3", made.open_run(run.folder))
    assert len({d.page for d in drawn_letters(later)}) == 2


def test_the_sentence_follows_from_the_answers(tmp_path: Path) -> None:
    run = made.run(tmp_path / "run", ["a"], doubted=0.1)
    store = opened(run, 60)
    (audit,) = audit_scrolls(run, drawn_letters(store)).values()
    assert audit.at_most is None and audit.judged == 0
    assert "0 are decided; a bound needs all of them" in describe_audit(audit)
    clear = {d.glyph for d in drawn_letters(store)} & {
        g.glyph for g in run.pages["a"].record.glyphs if g.route == "clear"
    }
    for item in [i for i in store.items("anna") if i.kind == LETTER_KIND]:
        choice = "cannot_tell" if item.glyphs[0] == max(clear) else "not_present"
        store.decide(item.id, "anna", choice, version=0)
    (audit,) = audit_scrolls(run, drawn_letters(store)).values()
    assert (audit.faults, audit.undecided) == (0, 1)
    most = finite_upper_bound(1, audit.judged, audit.letters)
    says = describe_audit(audit)
    assert f"Of {audit.judged} letters drawn at random among the {audit.letters}" in says
    assert "a fault in none and could not decide on 1, which count as faults here" in says
    assert f"at most {most} of the {audit.letters} (" in says
    export_review(run, store)
    kept = json.loads((run.folder / "audit.json").read_text("utf-8"))
    assert kept["scrolls"]["a"]["at_most"] == kept["run"]["at_most"] == most
    assert kept["scrolls"]["a"]["message"] == says
    assert kept["run"]["message"] == says.replace("this scroll", "this run")
    _, high = proportion_confint(1, audit.judged, alpha=0.1, method="beta")
    assert kept["run"]["hand_share_at_most"] == pytest.approx(high, abs=1e-6)
    assert "rendered_hands" in kept


def test_without_letters_nothing_is_known_and_how_many_are_needed() -> None:
    says = describe_audit(LetterAudit(letters=640))
    counts = [letters_needed(640, share) for share in (0.05, 0.02, 0.01)]
    assert says.startswith("How much was missed in this scroll is not known: none of the 640")
    assert f"no fault on {counts[0]}, {counts[1]} or {counts[2]} of them, drawn at random" in says
    assert "at most 5%, 2% or 1% of them hold one, with 95% confidence" in says

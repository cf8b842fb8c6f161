"""The audit: drawn with the chances it states, and what is estimated from it."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import synthetic_runs as made
from scipy.stats import t
from statsmodels.stats.proportion import proportion_confint

from crownlet.infer.records import GlyphRecord
from crownlet.infer.review.miss_rate import (
    AuditAnswer,
    describe_misses,
    estimate_misses,
    estimate_misses_by_kind,
    student_quantile,
)
from crownlet.infer.review.models import ALL_KINDS, ItemGroup
from crownlet.infer.review.queue import ClearLetter, askable_kinds, draw_audit
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.review.web.session import MIN_WALL_CROPS, build_walls, find_wall


def clear_letters(count: int = 400) -> list[ClearLetter]:
    record = made.record("a", count, 0.0)
    return [ClearLetter("a", g, askable_kinds(g, record)) for g in record.glyphs]


def test_the_share_drawn_is_the_share_asked() -> None:
    letters = clear_letters()
    draw = draw_audit(letters, [], 1, 0.1)
    forms = Counter(c.glyph.letter for c in letters)
    drawn = Counter(q.letter for q in draw.questions["a"])
    assert drawn == {form: max(1, round(0.1 * count)) for form, count in forms.items()}
    assert sum(s.letters for s in draw.strata) == 400
    assert sum(s.drawn for s in draw.strata) == sum(drawn.values())
    assert draw_audit(letters[::-1], [], 1, 0.1).questions["a"] == draw.questions["a"]
    assert not draw_audit(letters, [], 1, 0.0).questions


def test_each_question_is_drawn_as_often_as_its_chance_says() -> None:
    letters = clear_letters(60)
    wall = draw_audit(letters, [], 0, 1.0).questions["a"][:8]  # some doubts asked already
    seen: Counter[tuple[int, str]] = Counter()
    chance: dict[tuple[int, str], float] = {}
    rounds = 3000
    for seed in range(rounds):
        for question in draw_audit(letters, wall, seed, 0.3).questions["a"]:
            key = (question.glyphs[0], question.kind)
            seen[key] += 1
            assert question.chance
            assert chance.setdefault(key, question.chance) == question.chance
    # All questions of all letters can be drawn; their chances add up to the letters drawn.
    assert set(chance) == {(c.glyph.glyph, k) for c in letters for k in c.kinds}
    away = [(seen[key] - rounds * p) / np.sqrt(rounds * p * (1 - p)) for key, p in chance.items()]
    assert np.std(away) == pytest.approx(1.0, abs=0.15)
    assert np.max(np.abs(away)) < 5


def test_letters_drawn_hang_together_and_not_alone() -> None:
    """Drawn each for itself, 70 letters would scatter over some 20 doubts."""
    letters = clear_letters(713)
    drawn = Counter(q.kind for q in draw_audit(letters, [], 3, 0.1).questions["a"])
    together = sum(n for n in drawn.values() if n >= MIN_WALL_CROPS)
    assert sum(drawn.values()) > 60 and together > 0.5 * sum(drawn.values())


def test_small_groups_of_a_doubt_share_a_wall() -> None:
    groups = [
        ItemGroup("א", "part_loose", 20, 0), ItemGroup("ש", "part_loose", 1, 0),
        ItemGroup("ת", "part_loose", 2, 1), ItemGroup("ה", "leg_short", 30, 0),
        ItemGroup("ו", "ring_open", 1, 0),
    ]  # fmt: skip
    hung = {(wall.kind, wall.letters): wall.open + wall.done for wall in build_walls(groups)}
    # Four crops are few, so the letter that would fill them up joins them.
    assert hung == {
        ("part_loose", ("א", "ש", "ת")): 24, ("leg_short", ("ה",)): 30, ("ring_open", ("ו",)): 1,
    }  # fmt: skip
    shared = find_wall(groups, "part_loose", "ש")
    assert shared is not None and shared.href == "/wall/part_loose/several"
    assert find_wall(groups, "part_loose", "ל") is None


def test_only_what_was_examined_is_asked() -> None:
    record = replace(made.record("a", 1, 0.0), unresolved=("ink_lost",))
    glyph: GlyphRecord = replace(record.glyphs[0], not_examined=("stroke_broken",))
    asked = askable_kinds(glyph, record)
    assert not {"ink_lost", "stroke_broken"} & set(asked)
    assert set(asked) <= {name for name, p in glyph.p.items() if p is not None}


@pytest.mark.parametrize("p", [0.9, 0.95, 0.975])
@pytest.mark.parametrize("freedom", [2, 3, 4, 7, 20, 99])
def test_student_is_that_of_scipy(p: float, freedom: int) -> None:
    assert student_quantile(p, freedom) == pytest.approx(t.ppf(p, freedom), rel=2e-3)


def test_with_many_scrolls_and_none_alike_the_interval_is_wilsons() -> None:
    """statsmodels' Wilson interval for 12 of 400, each scroll having given one answer."""
    answers = [
        AuditAnswer(f"s{k}", "ink_lost", "present" if k < 12 else "not_present", 0.02)
        for k in range(400)
    ]
    estimate = estimate_misses(answers, 400, 20_000)
    low, high = proportion_confint(12, 400, method="wilson")
    assert (estimate.share, estimate.faults) == (pytest.approx(0.03), pytest.approx(600))
    assert estimate.low == pytest.approx(low, rel=0.02)  # Student's t of 399, n - 1 for n
    assert estimate.high == pytest.approx(high, rel=0.02)


def test_with_few_scrolls_only_counts_are_given() -> None:
    answers = [AuditAnswer(f"s{k % 2}", "ink_lost", "present", 0.1) for k in range(50)]
    unsure = AuditAnswer("s3", "ink_lost", "cannot_tell", 0.1)
    estimate = estimate_misses([*answers, unsure], 60, 500)
    assert (estimate.asked, estimate.answered, estimate.missed, estimate.scrolls) == (60, 50, 50, 2)
    assert estimate.share is estimate.low is estimate.high is estimate.faults is None
    assert "fewer than 3 scrolls" in describe_misses(estimate)


@pytest.mark.parametrize("bad", [0.0, 0.02, 0.1])
def test_the_interval_holds_the_share_that_was_missed(bad: float) -> None:
    """Forty scrolls, misses in clusters: in `bad` of the scrolls half the questions, a hundredth
    elsewhere. The true share of the run lies in at least 92 of 100 intervals of 95%."""
    rng = np.random.default_rng(5)
    held, rounds = 0, 300
    for _ in range(rounds):
        rates = np.where(rng.random(40) < bad, 0.5, 0.01)
        missed = rng.random((40, 1000)) < rates[:, None]
        chances = rng.choice([0.006, 0.036], (40, 1000))
        asked = rng.random((40, 1000)) < chances
        answers = [
            AuditAnswer(
                f"s{s}", "ink_lost", "present" if missed[s, k] else "not_present", chances[s, k]
            )
            for s, k in np.argwhere(asked)
        ]
        estimate = estimate_misses(answers, len(answers), 40_000)
        assert estimate.low is not None
        assert estimate.high is not None
        held += estimate.low <= missed.mean() <= estimate.high
    assert held / rounds >= 0.92


def test_the_estimate_of_a_store(tmp_path: Path) -> None:
    run = made.run(tmp_path / "run", [f"s{k}" for k in range(6)], letters=300)
    store = ReviewStore.open(tmp_path / "r", run, audit_share=0.1)
    audits = [i for i in store.items("anna", reveal=True) if i.origin == "audit"]
    before = estimate_misses_by_kind(store, "anna")[ALL_KINDS]
    assert (before.asked, before.answered, before.share) == (len(audits), 0, None)
    for item in audits:
        store.decide(item.id, "anna", "not_present", version=0)
    by_kind = estimate_misses_by_kind(store, "anna")
    estimate = by_kind[ALL_KINDS]
    assert (estimate.answered, estimate.missed, estimate.scrolls) == (
        len(audits),
        0,
        6,
    )
    assert estimate.share == estimate.faults == 0.0
    assert estimate.high is not None
    assert 0.0 < estimate.high < 0.1  # nothing missed in so many is not nothing missed at all
    assert describe_misses(estimate).startswith(f"Of {len(audits)} questions about clear letters")
    assert "(0% to " in describe_misses(estimate)
    assert "nothing can be said yet" in describe_misses(before)
    # An answer given after a disclosure does not count; the one before it does.
    store.record_disclosure("anna", [k.id for k in audits])
    for item in audits[:3]:
        store.decide(item.id, "anna", "present", version=1)
    assert estimate_misses_by_kind(store, "anna") == by_kind
    audit = store.audit("anna")
    wanted = [
        (g, askable_kinds(g, p.record)) for p in run.pages.values() for g in p.record.glyphs
        if g.route == "clear" and g.glyph not in (1, 2)  # a doubted gap lies between these
    ]  # fmt: skip
    assert (audit.letters, audit.questions) == (len(wanted), sum(len(k) for _, k in wanted))
    store.close()

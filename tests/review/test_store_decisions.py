"""Decisions: a plain model of them, what is refused, what is kept whole or not at all."""

from __future__ import annotations

import contextlib
from collections import Counter
from concurrent.futures import ThreadPoolExecutor

import pytest
import synthetic_runs as made
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from crownlet.infer.review.decisions import Answer
from crownlet.infer.review.models import (
    CHOICES,
    UNDONE,
    ChoiceError,
    ItemError,
    StaleError,
)
from crownlet.infer.review.store import ReviewStore

acts = st.lists(
    st.one_of(
        st.tuples(st.integers(0, 3), st.sampled_from(CHOICES), st.integers(-1, 0)),
        st.just("undo"),
    ),
    max_size=25,
)


@given(acts=acts)
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_decisions_and_undo_follow_a_plain_model(
    acts: list[tuple[int, str, int] | str], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """The model is a list of decisions that are not taken back, and a version for each item."""
    folder = tmp_path_factory.mktemp("r")
    store = ReviewStore.open(folder / "r.sqlite3", made.run(folder, ["a"], letters=20, doubted=1.0))
    items = [i.id for i in store.items("anna") if i.letter not in ("", "א")][:4]
    history: list[tuple[int, str]] = []
    versions = Counter[int]()
    for act in acts:
        if act == "undo":
            back = store.undo("anna")
            assert (back and (back.item, back.choice)) == (history[-1] if history else None)
            if history:
                versions[history.pop()[0]] += 1
            continue
        place, choice, late = act
        item = items[place]
        right = "א" if choice == "other_letter" else None
        version = versions[item] + late
        if late:
            with pytest.raises(StaleError):
                store.decide(item, "anna", choice, version=version, right_letter=right)
            continue
        store.decide(item, "anna", choice, version=version, right_letter=right)
        versions[item] += 1
        history.append((item, choice))
    for item in items:
        now = store.item(item, "anna")
        assert now.version == versions[item]
        last = [choice for k, choice in history if k == item]
        assert (now.decision.choice if now.decision else None) == (last[-1] if last else None)
    assert store.progress("anna").done == len({k for k, _ in history})
    # Nothing was ever deleted: every decision and every taking back has its row.
    rows = store.decisions()
    assert len(rows) == sum(versions.values())
    assert sum(row.choice == UNDONE for row in rows) == sum(r.undoes is not None for r in rows)
    store.close()


def test_what_says_nothing_clear_is_refused(store: ReviewStore) -> None:
    item = next(i for i in store.items("anna") if i.letter == "ש")
    for choice, right, words in (
        ("kosher", None, "is no choice"),
        ("present", "ב", "only with it"),
        ("other_letter", None, "only with it"),
        ("other_letter", "b", "none of the 27"),
        ("other_letter", "ש", "letter as read"),
    ):
        with pytest.raises(ChoiceError, match=words):
            store.decide(item.id, "anna", choice, version=0, right_letter=right)
    gap = next(i for i in store.items("anna") if not i.letter)
    with pytest.raises(ChoiceError, match="no single letter"):
        store.decide(gap.id, "anna", "other_letter", version=0, right_letter="א")
    with pytest.raises(ChoiceError, match="note"):
        store.decide(item.id, "anna", "present", version=0, note="x" * 2001)
    with pytest.raises(ItemError, match="no item 0"):
        store.decide(0, "anna", "present", version=0)
    for name in ("", " ", "x" * 61, "a\nb"):
        with pytest.raises(ChoiceError, match="name"):
            store.items(name)
    assert store.decisions() == []


def test_a_reader_whose_first_word_is_refused_may_go_on(store: ReviewStore) -> None:
    item = store.items("anna")[0]
    with pytest.raises(StaleError):
        store.decide(item.id, "ben", "present", version=3)
    assert store.decide(item.id, "ben", "present", version=0).reader == "ben"


def test_a_sweep_is_kept_whole_or_not_at_all(store: ReviewStore) -> None:
    first, second, third = store.items("anna")[:3]
    store.decide(third.id, "anna", "present", version=0)
    stale = [Answer(k.id, "not_present", 0) for k in (first, second, third)]
    with pytest.raises(StaleError):
        store.decide_many(stale, "anna")
    assert len(store.decisions()) == 1
    made_ = store.decide_many(stale[:2], "anna", blind=False, opinion_shown=True)
    assert [(d.blind, d.opinion_shown, d.round) for d in made_] == [(False, True, 1)] * 2


def test_threads_of_one_window_share_a_store(store: ReviewStore) -> None:
    items = store.items("anna")[:40]

    def sweep(k: int) -> int:
        won = 0
        for item in items[:: 1 if k % 2 else -1]:
            with contextlib.suppress(StaleError):
                store.decide(item.id, "anna", "present", version=0)
                won += 1
        return won

    with ThreadPoolExecutor(8) as pool:
        assert sum(pool.map(sweep, range(8))) == len(items)
    assert len(store.decisions()) == len(items)

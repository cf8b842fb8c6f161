"""The queue: every doubt asked once, in step with the run, in an order for each reader."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
import synthetic_runs as made

from crownlet.infer.findings.finding import Finding
from crownlet.infer.review.decisions import Answer
from crownlet.infer.review.models import (
    StaleError,
)
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.run.run import Run, open_run
from crownlet.infer.run.write import write_page


def test_every_doubt_is_asked_once(doubted_run: Run, store: ReviewStore) -> None:
    asked = [i for i in store.items("anna", reveal=True) if i.origin != "audit"]
    wanted = Counter(
        (page.name, glyph.glyph, kind)
        for page in doubted_run.pages.values()
        for glyph in page.record.glyphs
        for kind in glyph.reasons
    )
    assert Counter((i.page, i.glyphs[0], i.kind) for i in asked if len(i.glyphs) == 1) == wanted
    assert [i.kind for i in asked if len(i.glyphs) == 2] == ["word_parted"] * 3


def test_a_place_doubted_for_several_reasons_is_asked_for_each(
    doubted_run: Run, tmp_path: Path
) -> None:
    """findings.csv lists a place once, with its other doubts."""
    record = doubted_run.pages["a"].record
    shin = replace(record.glyphs[4], letter="ש")
    page = replace(record, glyphs=(*record.glyphs[:4], shin, *record.glyphs[5:]))
    found = Finding(
        1, "part_loose", "glyph", (5,), 1, "ש", "ש", shin.box, "finding", 0.9, "question", (),
        (), False, "Look here.", ("tag_loose", "tag_bare"),
    )  # fmt: skip
    write_page(page, tmp_path / "one", [found])
    store = ReviewStore.open(tmp_path / "r", open_run(tmp_path / "one"), audit_share=0.0)
    assert [(i.kind, i.glyphs, i.letter, i.origin) for i in store.items("a", reveal=True)] == [
        ("tag_loose", (5,), "ש", "review"),
        ("part_loose", (5,), "ש", "finding"),
        ("tag_bare", (5,), "ש", "review"),  # By custom, MB 36:12: after what is graver.
    ]


def test_items_do_not_say_why_they_are_asked(store: ReviewStore) -> None:
    shown = store.items("anna")
    assert {(i.origin, i.p, i.source) for i in shown} == {(None, None, None)}
    known = {i.id: i.origin for i in store.items("anna", reveal=True)}
    assert set(known.values()) == {"finding", "review", "audit"}
    # Nor does the order: audits are neither gathered at the ends of walls nor numbered apart.
    group = max(store.groups("anna"), key=lambda g: g.open)
    wall = store.wall("anna", group.letter, group.kind)
    assert [i.id for i in wall] != sorted(i.id for i in wall)


def test_the_same_seed_gives_the_same_queue(doubted_run: Run, tmp_path: Path) -> None:
    def queue(name: str, seed: int, of: Run = doubted_run) -> list[tuple[object, ...]]:
        store = ReviewStore.open(tmp_path / name, of, seed=seed)
        items = store.items("anna", reveal=True)
        return [(i.page, i.kind, i.glyphs, i.origin) for i in items]

    assert queue("1", 7) == queue("2", 7)
    audits = [{q for q in queue(str(s), s) if q[3] == "audit"} for s in (7, 8)]
    assert audits[0] != audits[1]


def test_pages_added_later_are_appended(doubted_run: Run, store: ReviewStore) -> None:
    before = {i.id: i for i in store.items("anna")}
    made.run(doubted_run.folder, ["d"], letters=200)
    again = ReviewStore.open(store.path, open_run(doubted_run.folder))
    after = {i.id: i for i in again.items("anna")}
    assert before.items() <= after.items()
    assert {i.page for k, i in after.items() if k not in before} == {"d"}
    assert (again.seed, again.audit_share) == (store.seed, store.audit_share)


def test_a_page_inspected_anew_is_asked_anew_and_keeps_its_decisions(
    doubted_run: Run, store: ReviewStore
) -> None:
    mine = [i for i in store.items("anna", reveal=True) if i.page == "a" and len(i.glyphs) == 1]
    kept, gone = [i for i in mine if i.origin != "audit"][:2]
    for item in (kept, gone):
        store.decide(item.id, "anna", "present", version=0)
    record = doubted_run.pages["a"].record
    moved = [  # every box shifted by a px; one doubt no longer raised, one letter dropped
        replace(
            g,
            box=tuple(v + 1.0 for v in g.box),
            reasons=tuple(r for r in g.reasons if (g.glyph, r) != (gone.glyphs[0], gone.kind)),
        )
        for g in record.glyphs
    ]
    made.write_page(replace(record, glyphs=tuple(moved)), doubted_run.folder)
    again = ReviewStore.open(store.path, open_run(doubted_run.folder))
    asked = {i.id: i for i in again.items("anna", state="all")}
    assert asked[kept.id].decision is not None
    assert asked[kept.id].box[0] == kept.box[0] + 1
    assert gone.id not in asked
    assert again.item(gone.id, "anna").decision is not None  # kept, though no longer asked
    with pytest.raises(StaleError, match="inspected anew"):
        again.decide(gone.id, "anna", "not_present", version=1)
    # Of another picture nothing is taken over.
    facts = replace(record.image, sha256="f" * 64)
    made.write_page(replace(record, glyphs=tuple(moved), image=facts), doubted_run.folder)
    last = ReviewStore.open(store.path, open_run(doubted_run.folder))
    assert not [i for i in last.items("anna", state="done") if i.page == "a"]
    assert len(last.standing_decisions()) == 2


def test_a_page_taken_away_comes_back(doubted_run: Run, store: ReviewStore) -> None:
    every = store.items("anna")
    (doubted_run.folder / "b").rename(doubted_run.folder.parent / "b")
    less = ReviewStore.open(store.path, open_run(doubted_run.folder)).items("anna")
    assert less == [i for i in every if i.page != "b"]
    (doubted_run.folder.parent / "b").rename(doubted_run.folder / "b")
    assert ReviewStore.open(store.path, open_run(doubted_run.folder)).items("anna") == every


def test_readers_meet_one_queue_in_orders_of_their_own(doubted_run: Run, tmp_path: Path) -> None:
    store = ReviewStore.open(tmp_path / "r", doubted_run, audit_share=0.1, second_share=0.5)
    anna, ben, carl = ([i.id for i in store.items(name)] for name in ("anna", "ben", "carl"))
    assert set(ben) == set(carl) < set(anna)
    assert 0.3 < len(ben) / len(anna) < 0.7
    assert ben != carl
    assert ben != [k for k in anna if k in set(ben)]
    assert [(r.name, r.round) for r in store.readers()] == [("anna", 1), ("ben", 2), ("carl", 2)]


def test_groups_walls_and_next_agree(store: ReviewStore) -> None:
    order = store.items("anna")
    groups = store.groups("anna")
    walls = [i for g in groups for i in store.wall("anna", g.letter, g.kind)]
    assert walls == order
    assert [store.next_open("anna", i.id) for i in order] == [*order[1:], order[0]]
    only = store.items("anna", kind=order[0].kind, scroll="b")
    assert only == [i for i in order if i.kind == order[0].kind and i.scroll == "b"]
    first = store.next_open("anna", kind=order[0].kind, scroll="b")
    assert first == (only[0] if only else None)


def read_tables(run: Run) -> None:
    """The letters of a run as text, by Python's own reader of tables."""
    for page in run.pages.values():
        with (page.folder / "glyphs.csv").open(encoding="utf-8", newline="") as file:
            list(csv.reader(file))


def review_times(
    folder: Path, scrolls: int, relative_time: Callable[..., float]
) -> dict[str, float]:
    """Times of a review of scrolls of 713 letters, a tenth doubted, by what is done."""
    times: dict[str, float] = {}
    path, opened = folder / "r.sqlite3", list[ReviewStore]()

    run = made.run(folder / "run", [f"scroll {k}" for k in range(scrolls)])
    times["read the tables"] = relative_time(lambda: read_tables(run))
    times["first opening"] = relative_time(lambda: opened.append(ReviewStore.open(path, run)))
    opened[0].items("anna")
    opened.pop().close()
    times["later opening"] = relative_time(
        lambda: opened.append(ReviewStore.open(path, open_run(run.folder)))
    )
    store = opened[0]
    assert store.progress("anna").total > 90 * scrolls

    def take_steps() -> None:
        after = None
        for _ in range(50):
            item = store.next_open("anna", after)
            assert item
            store.decide(item.id, "anna", "present", version=item.version)
            after = item.id

    times["steps"] = relative_time(take_steps, times=4)
    for name in ("anna", "ben"):
        store.decide_many([Answer(i.id, "present", i.version) for i in store.items(name)], name)

    def list_decisions() -> None:
        assert len(store.independent_decisions("anna")) > 90 * scrolls
        assert len(store.standing_decisions()) > 180 * scrolls
        assert store.disagreements("anna", "ben") == []

    times["lists"] = relative_time(list_decisions)
    store.close()
    return times


def test_a_hundred_scrolls_stay_quick(tmp_path: Path, relative_time: Callable[..., float]) -> None:
    """Against ten scrolls and against Python's reader of tables in the same process, whatever the
    speed of the machine: common practice, no source."""
    few, many = (review_times(tmp_path / str(k), k, relative_time) for k in (10, 100))
    # Twice the growth of the letters; the square of them would be a hundred times.
    for what in ("first opening", "lists"):
        assert many[what] < 20 * few[what], what
    # Measured 13; before numbers were read once for each different cell it was 21.
    assert many["first opening"] < 30 * many["read the tables"]
    # Measured a three hundredth: only times and sizes of files are looked at.
    assert many["later opening"] < many["first opening"] / 30
    # Measured equal; a look at every question of the queue would be ten times.
    assert many["steps"] < 4 * few["steps"]

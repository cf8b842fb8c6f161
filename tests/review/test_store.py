"""The queue and the decisions: nothing asked twice, nothing lost, nothing overwritten."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest
import synthetic_runs as made
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from crownlet.infer.findings.finding import Finding
from crownlet.infer.review.decisions import Answer
from crownlet.infer.review.models import (
    CHOICES,
    UNDONE,
    ChoiceError,
    ItemError,
    ReviewStoreError,
    StaleError,
)
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.run.run import Run, open_run
from crownlet.infer.run.write import write_page


@pytest.fixture
def run(tmp_path: Path) -> Run:
    return made.run(tmp_path / "run", ["a", "b", "c"], letters=200)


@pytest.fixture
def store(run: Run) -> ReviewStore:
    return ReviewStore.open(run.folder / "review.sqlite3", run, audit_share=0.1)


def test_every_doubt_is_asked_once(run: Run, store: ReviewStore) -> None:
    asked = [i for i in store.items("anna", reveal=True) if i.origin != "audit"]
    wanted = Counter(
        (page.name, glyph.glyph, kind)
        for page in run.pages.values()
        for glyph in page.record.glyphs
        for kind in glyph.reasons
    )
    assert Counter((i.page, i.glyphs[0], i.kind) for i in asked if len(i.glyphs) == 1) == wanted
    assert [i.kind for i in asked if len(i.glyphs) == 2] == ["word_parted"] * 3


def test_a_place_doubted_for_several_reasons_is_asked_for_each(run: Run, tmp_path: Path) -> None:
    """findings.csv lists a place once, with its other doubts."""
    record = run.pages["a"].record
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


def test_the_same_seed_gives_the_same_queue(run: Run, tmp_path: Path) -> None:
    def queue(name: str, seed: int, of: Run = run) -> list[tuple[object, ...]]:
        store = ReviewStore.open(tmp_path / name, of, seed=seed)
        items = store.items("anna", reveal=True)
        return [(i.page, i.kind, i.glyphs, i.origin) for i in items]

    assert queue("1", 7) == queue("2", 7)
    audits = [{q for q in queue(str(s), s) if q[3] == "audit"} for s in (7, 8)]
    assert audits[0] != audits[1]


def test_pages_added_later_are_appended(run: Run, store: ReviewStore) -> None:
    before = {i.id: i for i in store.items("anna")}
    made.run(run.folder, ["d"], letters=200)
    again = ReviewStore.open(store.path, open_run(run.folder))
    after = {i.id: i for i in again.items("anna")}
    assert before.items() <= after.items()
    assert {i.page for k, i in after.items() if k not in before} == {"d"}
    assert (again.seed, again.audit_share) == (store.seed, store.audit_share)


def test_a_page_inspected_anew_is_asked_anew_and_keeps_its_decisions(
    run: Run, store: ReviewStore
) -> None:
    mine = [i for i in store.items("anna", reveal=True) if i.page == "a" and len(i.glyphs) == 1]
    kept, gone = [i for i in mine if i.origin != "audit"][:2]
    for item in (kept, gone):
        store.decide(item.id, "anna", "present", version=0)
    record = run.pages["a"].record
    moved = [  # every box shifted by a px; one doubt no longer raised, one letter dropped
        replace(
            g,
            box=tuple(v + 1.0 for v in g.box),
            reasons=tuple(r for r in g.reasons if (g.glyph, r) != (gone.glyphs[0], gone.kind)),
        )
        for g in record.glyphs
    ]
    made.write_page(replace(record, glyphs=tuple(moved)), run.folder)
    again = ReviewStore.open(store.path, open_run(run.folder))
    asked = {i.id: i for i in again.items("anna", state="all")}
    assert asked[kept.id].decision is not None
    assert asked[kept.id].box[0] == kept.box[0] + 1
    assert gone.id not in asked
    assert again.item(gone.id, "anna").decision is not None  # kept, though no longer asked
    with pytest.raises(StaleError, match="inspected anew"):
        again.decide(gone.id, "anna", "not_present", version=1)
    # Of another picture nothing is taken over.
    facts = replace(record.image, sha256="f" * 64)
    made.write_page(replace(record, glyphs=tuple(moved), image=facts), run.folder)
    last = ReviewStore.open(store.path, open_run(run.folder))
    assert not [i for i in last.items("anna", state="done") if i.page == "a"]
    assert len(last.standing_decisions()) == 2


def test_a_page_taken_away_comes_back(run: Run, store: ReviewStore) -> None:
    every = store.items("anna")
    (run.folder / "b").rename(run.folder.parent / "b")
    less = ReviewStore.open(store.path, open_run(run.folder)).items("anna")
    assert less == [i for i in every if i.page != "b"]
    (run.folder.parent / "b").rename(run.folder / "b")
    assert ReviewStore.open(store.path, open_run(run.folder)).items("anna") == every


def test_readers_meet_one_queue_in_orders_of_their_own(run: Run, tmp_path: Path) -> None:
    store = ReviewStore.open(tmp_path / "r", run, audit_share=0.1, second_share=0.5)
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


def test_each_commit_is_forced_to_disk(store: ReviewStore) -> None:
    """SQLite, "PRAGMA synchronous": 2 is FULL, which in WAL mode syncs after every commit."""
    assert store._db.execute("PRAGMA synchronous").fetchone()[0] == 2
    assert store._db.execute("PRAGMA journal_mode").fetchone()[0] == "wal"


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


def test_the_file_itself_refuses_to_forget(store: ReviewStore) -> None:
    item = store.items("anna")[0]
    store.decide(item.id, "anna", "present", version=0)
    with sqlite3.connect(store.path) as other:
        for change in ("DELETE FROM decisions", "UPDATE decisions SET choice = 'not_present'"):
            with pytest.raises(sqlite3.IntegrityError, match="decisions are never"):
                other.execute(change)


def test_a_full_disk_and_a_held_lock_are_said_and_pass(store: ReviewStore) -> None:
    first, second = store.items("anna")[:2]
    pages = store._db.execute("PRAGMA page_count").fetchone()[0]
    store._db.execute(f"PRAGMA max_page_count = {pages}")
    notes = iter(range(1000))
    with pytest.raises(ReviewStoreError, match=r"full\); nothing was kept"):
        for k in notes:
            store.decide(first.id, "anna", "present", version=k, note="x" * 2000)
    kept = store.item(first.id, "anna").version
    assert len(store.decisions()) == kept
    store._db.execute(f"PRAGMA max_page_count = {pages + 1000}")
    store.decide(first.id, "anna", "present", version=kept)

    store._db.execute("PRAGMA busy_timeout = 50")
    with sqlite3.connect(store.path, isolation_level=None) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(ReviewStoreError, match=r"locked\); nothing was kept"):
            store.decide(second.id, "anna", "present", version=0)
        other.execute("ROLLBACK")
    store.decide(second.id, "anna", "present", version=0)


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


def test_a_file_that_is_none_is_said(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "r.sqlite3"
    path.write_bytes(b"no database" * 100)
    with pytest.raises(ReviewStoreError, match="no file of decisions"):
        ReviewStore.open(path, run)
    path.unlink()
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE t (x)")
    with pytest.raises(ReviewStoreError, match="something else"):
        ReviewStore.open(path, run)
    path.unlink()
    ReviewStore.open(path, run).close()
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA user_version = 99")
    with pytest.raises(ReviewStoreError, match="newer version"):
        ReviewStore.open(path, run)
    with pytest.raises(ReviewStoreError, match="cannot be opened"):
        ReviewStore.open(tmp_path / "no" / "r.sqlite3", run)


CHILD = """
import sys
from crownlet.infer.review.models import StaleError
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.run.run import open_run
store = ReviewStore.open(sys.argv[1], open_run(sys.argv[2]))
"""
DECIDING = (
    CHILD
    + """
print("ready", flush=True)
k = 0
while True:
    item = store.next_open("anna")
    if item is None or k % 3 == 2:
        store.undo("anna")
    else:
        d = store.decide(item.id, "anna", "present", version=item.version)
        print(d.id, d.item, ".", flush=True)
    k += 1
"""
)
RACING = (
    CHILD
    + """
item = store.item(int(sys.argv[3]), "anna")
print("ready", flush=True)
sys.stdin.readline()
for k in range(30):
    try:
        store.decide(item.id, "anna", "present", version=item.version + k)
        print("won", k, flush=True)
    except StaleError:
        print("lost", k, flush=True)
    while store.item(item.id, "anna").version <= item.version + k:
        pass
"""
)


def child(source: str, *arguments: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", source, *map(str, arguments)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=os.environ,
    )  # fmt: skip


def test_a_killed_process_loses_no_decision_it_acknowledged(run: Run, store: ReviewStore) -> None:
    """SIGKILL, twenty times at random moments; loss of power cannot be tested here."""
    chance = random.Random(1)
    acknowledged: list[tuple[int, int]] = []
    store.items("anna")
    for _ in range(20):
        process = child(DECIDING, store.path, run.folder)
        assert process.stdout
        assert process.stdout.readline() == "ready\n"
        lines = [process.stdout.readline() for _ in range(chance.randrange(12))]
        time.sleep(chance.uniform(0.0, 0.02))
        process.send_signal(signal.SIGKILL)
        lines += process.stdout.read().splitlines()
        process.wait()
        # The last line may have been cut in the pipe; a whole one was acknowledged.
        acknowledged += [(int(a), int(b)) for a, b, _ in (k.split() for k in lines if "." in k)]
    assert len(acknowledged) > 50
    again = ReviewStore.open(store.path, open_run(run.folder))
    kept = {d.id: d.item for d in again.decisions()}
    assert [pair for pair in acknowledged if kept.get(pair[0]) != pair[1]] == []
    with sqlite3.connect(store.path) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    # `standing` is what the rows of decisions say.
    last: dict[int, list[int]] = {}
    for d in again.decisions():
        stack = last.setdefault(d.item, [])
        stack.remove(d.undoes) if d.undoes else stack.append(d.id)
    stood = {i.id: i.decision.id for i in again.items("anna", state="done") if i.decision}
    assert stood == {item: stack[-1] for item, stack in last.items() if stack}


def test_of_two_processes_exactly_one_decides(run: Run, store: ReviewStore) -> None:
    item = store.items("anna")[0]
    racers = [child(RACING, store.path, run.folder, item.id) for _ in range(2)]
    for racer in racers:
        assert racer.stdout
        assert racer.stdout.readline() == "ready\n"
    results = []
    for racer in racers:
        assert racer.stdin
        racer.stdin.write("\n")
        racer.stdin.flush()
    for racer in racers:
        results.append(racer.communicate(timeout=60)[0].splitlines())
    for k in range(30):
        assert sorted([results[0][k], results[1][k]]) == [f"lost {k}", f"won {k}"]
    assert store.item(item.id, "anna").version == 30
    assert len(store.decisions()) == 30


def test_a_hundred_scrolls_stay_quick(tmp_path: Path) -> None:
    """100 scrolls of 713 letters, a tenth doubted: the limits are those of the brief."""
    made.run(tmp_path / "run", [f"scroll {k}" for k in range(100)])
    # Processor time, since this is work of the processor and the test may share it.
    start = time.process_time()
    store = ReviewStore.open(tmp_path / "r.sqlite3", open_run(tmp_path / "run"))
    first = time.process_time() - start
    store.items("anna")
    store.close()
    start = time.perf_counter()
    store = ReviewStore.open(tmp_path / "r.sqlite3", open_run(tmp_path / "run"))
    later = time.perf_counter() - start
    assert store.progress("anna").total > 9000
    steps, after = [], None
    for _ in range(200):
        start = time.perf_counter()
        item = store.next_open("anna", after)
        assert item
        store.decide(item.id, "anna", "present", version=item.version)
        steps.append(time.perf_counter() - start)
        after = item.id
    for name in ("anna", "ben"):
        store.decide_many([Answer(i.id, "present", i.version) for i in store.items(name)], name)
    start = time.process_time()
    assert len(store.independent_decisions("anna")) > 9000
    assert len(store.standing_decisions()) > 18000
    assert store.disagreements("anna", "ben") == []
    assert time.process_time() - start < 2
    assert first < 3
    assert later < 0.3
    assert sorted(steps)[50] < 0.01  # a quarter of the steps: the disk may be shared

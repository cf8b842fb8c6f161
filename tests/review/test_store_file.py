"""The file of decisions: nothing is lost by a kill, a full disk or another process."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from crownlet.infer.review.models import (
    ReviewStoreError,
)
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.run.run import Run, open_run


def test_each_commit_is_forced_to_disk(store: ReviewStore) -> None:
    """SQLite, "PRAGMA synchronous": 2 is FULL, which in WAL mode syncs after every commit."""
    assert store._db.execute("PRAGMA synchronous").fetchone()[0] == 2
    assert store._db.execute("PRAGMA journal_mode").fetchone()[0] == "wal"


def test_the_file_itself_refuses_to_forget(store: ReviewStore) -> None:
    item = store.items("anna")[0]
    store.decide(item.id, "anna", "present", version=0)
    with sqlite3.connect(store.path) as other:
        for change in ("DELETE FROM decisions", "UPDATE decisions SET choice = 'not_present'"):
            with pytest.raises(sqlite3.IntegrityError, match="decisions are never"):
                other.execute(change)


def test_a_full_disk_and_a_held_lock_are_stated_and_pass(store: ReviewStore) -> None:
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


def test_a_file_that_is_none_is_stated(doubted_run: Run, tmp_path: Path) -> None:
    path = tmp_path / "r.sqlite3"
    path.write_bytes(b"no database" * 100)
    with pytest.raises(ReviewStoreError, match="no file of decisions"):
        ReviewStore.open(path, doubted_run)
    path.unlink()
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE t (x)")
    with pytest.raises(ReviewStoreError, match="something else"):
        ReviewStore.open(path, doubted_run)
    path.unlink()
    ReviewStore.open(path, doubted_run).close()
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA user_version = 99")
    with pytest.raises(ReviewStoreError, match="newer version"):
        ReviewStore.open(path, doubted_run)
    with pytest.raises(ReviewStoreError, match="cannot be opened"):
        ReviewStore.open(tmp_path / "no" / "r.sqlite3", doubted_run)


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


def test_a_killed_process_loses_no_decision_it_acknowledged(
    doubted_run: Run, store: ReviewStore
) -> None:
    """SIGKILL, twenty times at random moments; loss of power cannot be tested here."""
    chance = random.Random(1)
    acknowledged: list[tuple[int, int]] = []
    store.items("anna")
    for _ in range(20):
        process = child(DECIDING, store.path, doubted_run.folder)
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
    again = ReviewStore.open(store.path, open_run(doubted_run.folder))
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


def test_of_two_processes_exactly_one_decides(doubted_run: Run, store: ReviewStore) -> None:
    item = store.items("anna")[0]
    racers = [child(RACING, store.path, doubted_run.folder, item.id) for _ in range(2)]
    for racer in racers:
        assert racer.stdout
        assert racer.stdout.readline() == "ready\n"
    results = []
    for racer in racers:
        assert racer.stdin
        racer.stdin.write("\n")
        racer.stdin.flush()
    for racer in racers:
        results.append(racer.communicate(timeout=300)[0].splitlines())
    for k in range(30):
        assert sorted([results[0][k], results[1][k]]) == [f"lost {k}", f"won {k}"]
    assert store.item(item.id, "anna").version == 30
    assert len(store.decisions()) == 30

"""Counts kept in memory are those of the file, and a decision costs the same in any queue.

The counts are checked against SQLite's own over the whole queue; the cost in steps of its virtual
machine (sqlite.org/c3ref/progress_handler), which no load of this machine changes.
"""

from __future__ import annotations

import random
from pathlib import Path

import review_server
import synthetic_runs as made

from crownlet.infer.review import queries
from crownlet.infer.review.store import ReviewStore


def open_store(run: made.Run) -> ReviewStore:
    return ReviewStore.open(run.folder / "review.sqlite3", run)


def agree(store: ReviewStore, *readers: str) -> None:
    for reader in readers:
        assert store.groups(reader) == queries.count_groups(store._db, reader)


def test_counts_follow_decisions_of_two_processes(tmp_path: Path) -> None:
    run = made.run(tmp_path / "run", ["a", "b"], letters=120, doubted=0.4)
    # Another connection stands for another process: SQLite tells them apart in the same way.
    stores, rng = [open_store(run), open_store(run)], random.Random(3)
    numbers = [item.id for item in stores[0].items("anna")]
    stores[0].items("ben")
    for step in range(150):
        store, reader = rng.choice(stores), rng.choice(("anna", "ben"))
        if step % 5 == 4:
            store.undo_step(reader) if step % 2 else store.undo(reader)
        else:
            chosen = rng.sample(numbers, rng.choice((1, 1, 4)))
            answers = [
                queries_answer(store, number, reader, rng.choice(("present", "not_present")))
                for number in chosen
            ]
            store.decide_many(answers, reader)
        for each in stores:
            agree(each, "anna", "ben")
    for store in stores:
        store.close()


def queries_answer(store: ReviewStore, number: int, reader: str, choice: str) -> object:
    from crownlet.infer.review.decisions import Answer

    return Answer(number, choice, store.item(number, reader).version)


def steps_of_decisions(folder: Path, letters: int) -> int:
    run = made.run(folder, ["a", "b", "c"], letters=letters, doubted=1.0)
    steps = 0

    def count() -> int:
        nonlocal steps
        steps += 1
        return 0

    with review_server.review(run, audit_share=0.0) as review:
        window = review.client()
        window.get("/one")
        item = review.store.next_open("anna")
        assert item is not None
        review.store._db.set_progress_handler(count, 20)
        for _ in range(10):
            sent = review_server.say(window, item.id, item.version)
            assert sent.is_success
            item = review.store.next_open("anna", item.id)
            assert item is not None
        review.store._db.set_progress_handler(None, 0)
    return steps


def test_a_decision_costs_the_same_in_any_queue(tmp_path: Path) -> None:
    few = steps_of_decisions(tmp_path / "few", 40)
    many = steps_of_decisions(tmp_path / "many", 700)
    assert many < 1.5 * few, (few, many)

"""The queue kept in step with the run: new pages are appended, changed ones are asked again.

Decisions stay whatever happens to their items. A doubt raised again on the same picture, of the
same letter at the same place, keeps its item and so its decisions.
"""

from __future__ import annotations

import gc
import hashlib
import json
import sqlite3
from collections import defaultdict
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, NamedTuple

from crownlet.infer.records import Box, PageRecord
from crownlet.infer.review.habit_questions import (
    parse_habit_key,
    raised_questions,
    scroll_statements,
)
from crownlet.infer.review.letter_audit import (
    letter_questions,
    raise_threshold,
    read_threshold,
    threshold_for,
)
from crownlet.infer.review.models import LETTER_KIND, utc_now
from crownlet.infer.review.queue import (
    AuditDraw,
    ClearLetter,
    Question,
    askable_kinds,
    draw_audit,
    select_clear_letters,
)
from crownlet.infer.review.survey_questions import read_survey_questions

if TYPE_CHECKING:
    from crownlet.infer.findings.finding import Finding
    from crownlet.infer.run.run import Run, StoredPage, StoredScroll

PAGE_TABLES = ("page.json", "glyphs.csv", "findings.csv")

MIN_SAME_PLACE_IOU = 0.5
"""Intersection over union from which two boxes of one letter on one picture are one place."""


class NewPage(NamedTuple):
    """A page that is new or was inspected again: its questions, and its clear letters."""

    id: int
    name: str
    questions: tuple[Question, ...]
    clear: list[ClearLetter]
    whole: tuple[Question, ...]
    """Letters drawn at random to be judged whole."""


def sync_queue(db: sqlite3.Connection, run: Run, seed: int, share: float) -> bool:
    """Bring the queue in step with `run`, inside a transaction; whether anything changed.

    A survey asks the questions of its audit, and no others. RunError if a page that is new or
    changed cannot be read.
    """
    with _garbage_left():
        return _sync_pages(db, run, seed, share)


def _sync_pages(db: sqlite3.Connection, run: Run, seed: int, share: float) -> bool:
    survey, threshold = read_survey_questions(run), read_threshold(db)
    known = {row["name"]: row for row in db.execute("SELECT * FROM pages ORDER BY id")}
    changed = remove_absent_pages(db, run, known) | update_scrolls(db, run, known)
    new: list[NewPage] = []
    for page in run.pages.values():
        drawn = survey.stamp(page.name) if survey else ""
        stamp = page_stamp(page) + drawn
        row = known.get(page.name)
        if row is not None and row["stamp"] == stamp and row["present"]:
            continue
        changed = True
        digest = page_digest(page) + drawn
        if row is not None and row["digest"] == digest:
            db.execute("UPDATE pages SET stamp = ?, present = 1 WHERE id = ?", (stamp, row["id"]))
            continue
        record, found = page.brief()
        number = upsert_page(db, run.scroll_of(page.name), record, row, stamp, digest)
        asked = survey.questions(record) if survey else _page_questions(page, record, found)
        whole = () if survey else letter_questions(page.name, record, seed, threshold)
        clear = [
            ClearLetter(page.name, glyph, askable_kinds(glyph, record))
            for glyph in (() if survey else select_clear_letters(record, asked))
        ]
        new.append(NewPage(number, page.name, asked, clear, whole))
    if new:
        _insert_questions(db, new, seed, share)
    return changed | (survey is None and _join_by_scroll(db, run))


@contextmanager
def _garbage_left() -> Iterator[None]:
    """Collect no circles meanwhile: records hold none, and looking for them among the letters of a
    hundred pages takes a fifth of the time."""
    collected = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collected:
            gc.enable()


def _join_by_scroll(db: sqlite3.Connection, run: Run) -> bool:
    """Ask letters together of which only all pages of their scroll state a habit.

    Whether there were new ones. Apart from the digests of pages: scrolls are listed anew when pages
    come or are named, and what was asked of a page must not be drawn again for that.
    """
    joined = 0
    for page, statements in scroll_statements(run).items():
        for statement in statements:
            defect = parse_habit_key(statement.key)[0]
            marks = [f"{defect}:{number}" for number in statement.glyphs]
            joined += db.executemany(
                "UPDATE items SET habit = ? WHERE habit IS NULL AND origin <> 'audit' AND mark = ? "
                "AND page = (SELECT id FROM pages WHERE name = ? AND present)",
                [(statement.key, mark, page) for mark in marks],
            ).rowcount
    return joined > 0


def draw_letters(db: sqlite3.Connection, run: Run, seed: int, count: int) -> bool:
    """Draw `count` letters of the run at random to be judged whole, beside those drawn before.

    Inside a transaction, the queue being in step with the run; whether any were added. A survey
    has an audit of its own. RunError if a page cannot be read.
    """
    if read_survey_questions(run) is not None:
        return False
    raise_threshold(db, threshold_for(run, seed, count))
    threshold, added = read_threshold(db), False
    for row in db.execute("SELECT id, name FROM pages WHERE present").fetchall():
        asked = db.execute(
            "SELECT mark FROM items WHERE page = ? AND kind = ? AND live", (row["id"], LETTER_KIND)
        )
        known = {item["mark"] for item in asked}
        record = run.pages[row["name"]].brief()[0]
        for question in letter_questions(row["name"], record, seed, threshold):
            if question.key not in known:
                insert_question(db, row["id"], question, None)
                added = True
    return added


def upsert_page(
    db: sqlite3.Connection,
    scroll: StoredScroll,
    record: PageRecord,
    row: sqlite3.Row | None,
    stamp: str,
    digest: str,
) -> int:
    """The page's row: its old one if the picture is the same, else a new one in its place."""
    facts = record.image
    if row is not None and row["sha256"] != facts.sha256:
        db.execute("UPDATE pages SET present = 0 WHERE id = ?", (row["id"],))
        row = None
    values = {
        "name": record.name, "scroll": scroll.name, "source": scroll.source, "path": facts.path,
        "sha256": facts.sha256, "width": facts.width, "height": facts.height, "stamp": stamp,
        "digest": digest, "versions": json.dumps(record.versions, ensure_ascii=False),
        "present": 1, "id": row["id"] if row is not None else None,
    }  # fmt: skip
    names = ", ".join(values)
    marks = ", ".join("?" * len(values))
    sets = ", ".join(f"{name} = excluded.{name}" for name in values if name != "id")
    db.execute(
        f"INSERT INTO pages ({names}) VALUES ({marks}) ON CONFLICT (id) DO UPDATE SET {sets}",
        tuple(values.values()),
    )
    if row is not None:
        return int(row["id"])
    return int(db.execute("SELECT last_insert_rowid()").fetchone()[0])


def remove_absent_pages(db: sqlite3.Connection, run: Run, known: dict[str, sqlite3.Row]) -> bool:
    """Pages no longer in the run leave the queue; they may come back."""
    gone = [row["id"] for name, row in known.items() if row["present"] and name not in run.pages]
    db.executemany("UPDATE pages SET present = 0 WHERE id = ?", [(number,) for number in gone])
    return bool(gone)


def update_scrolls(db: sqlite3.Connection, run: Run, known: dict[str, sqlite3.Row]) -> bool:
    """Store the scroll and the source of pages grouped into other scrolls than before.

    Whether there were any.
    """
    moved = []
    for name, row in known.items():
        if name in run.pages:
            scroll = run.scroll_of(name)
            if (scroll.name, scroll.source) != (row["scroll"], row["source"]):
                moved.append((scroll.name, scroll.source, row["id"]))
    db.executemany("UPDATE pages SET scroll = ?, source = ? WHERE id = ?", moved)
    return bool(moved)


def page_stamp(page: StoredPage) -> str:
    """Times and sizes of the tables, which show whether anything was written since."""
    files = [page.folder / name for name in PAGE_TABLES]
    facts = [path.stat() if path.exists() else None for path in files]
    return ";".join(f"{s.st_mtime_ns}-{s.st_size}" if s else "" for s in facts)


def page_digest(page: StoredPage) -> str:
    """SHA-256 of the contents of the tables and of the picture's checksum."""
    state = hashlib.sha256(page.checksum.encode())
    for name in PAGE_TABLES[1:]:
        path = page.folder / name
        state.update(path.read_bytes() if path.exists() else b"")
    return state.hexdigest()


def _page_questions(
    page: StoredPage, record: PageRecord, found: tuple[Finding, ...]
) -> tuple[Question, ...]:
    return raised_questions(record, found, (page.folder / "findings.csv").is_file())


def _insert_questions(
    db: sqlite3.Connection, new: Sequence[NewPage], seed: int, share: float
) -> None:
    clear = [letter for page in new for letter in page.clear]
    draw = draw_audit(clear, (q for page in new for q in page.questions), seed, share)
    number = _record_draw(db, draw, {page.name: page.id for page in new}, seed, share)
    for page in new:
        _merge_questions(db, page.id, (*page.questions, *page.whole))
        for question in draw.questions.get(page.name, ()):
            insert_question(db, page.id, question, number)


def _record_draw(
    db: sqlite3.Connection, draw: AuditDraw, ids: dict[str, int], seed: int, share: float
) -> int:
    made = db.execute(
        "INSERT INTO draws (at, seed, share) VALUES (?, ?, ?)", (utc_now(), seed, share)
    )
    number = int(made.lastrowid or 0)
    db.executemany(
        "INSERT INTO strata (draw, page, letter, letters, questions, drawn) "
        "VALUES (?, ?, ?, ?, ?, ?)",
        [(number, ids[s.page], s.letter, s.letters, s.questions, s.drawn) for s in draw.strata],
    )
    return number


def _merge_questions(db: sqlite3.Connection, page: int, asked: Sequence[Question]) -> None:
    """Old items of the page live on where they are asked again; the others leave the queue."""
    old = db.execute("SELECT * FROM items WHERE page = ?", (page,)).fetchall()
    db.execute("UPDATE items SET live = 0 WHERE page = ?", (page,))
    db.execute("UPDATE strata SET live = 0 WHERE page = ? AND draw < ?", (page, _last_draw(db)))
    left: dict[tuple[str, str], list[sqlite3.Row]] = defaultdict(list)
    for row in old:
        if row["origin"] != "audit":
            left[row["kind"], row["letter"]].append(row)
    for question in asked:
        near = left[question.kind, question.letter]
        same = next((row for row in near if _is_same_place(row, question)), None)
        if same is None:
            insert_question(db, page, question, None)
            continue
        near.remove(same)
        values = _item_columns(question)
        sets = ", ".join(f"{name} = ?" for name in values)
        db.execute(
            f"UPDATE items SET {sets}, live = 1 WHERE id = ?",
            (*values.values(), same["id"]),
        )


def _last_draw(db: sqlite3.Connection) -> int:
    return int(db.execute("SELECT max(id) FROM draws").fetchone()[0])


def _is_same_place(row: sqlite3.Row, question: Question) -> bool:
    box = (row["x0"], row["y0"], row["x1"], row["y1"])
    return box_iou(box, question.box) >= MIN_SAME_PLACE_IOU


def box_iou(a: Box, b: Box) -> float:
    """Intersection over union; 1 for two equal boxes, however thin."""
    if a == b:
        return 1.0
    wide = max(0.0, min(a[2], b[2]) - max(a[0], b[0]))
    high = max(0.0, min(a[3], b[3]) - max(a[1], b[1]))
    areas = [(box[2] - box[0]) * (box[3] - box[1]) for box in (a, b)]
    union = sum(areas) - wide * high
    return wide * high / union if union > 0 else 0.0


def insert_question(
    db: sqlite3.Connection, page: int, question: Question, draw: int | None
) -> None:
    """Put a question about a page into the queue, inside a transaction."""
    values = {"page": page, **_item_columns(question), "draw": draw}
    db.execute(
        f"INSERT INTO items ({', '.join(values)}) VALUES ({', '.join('?' * len(values))})",
        tuple(values.values()),
    )


def _item_columns(question: Question) -> dict[str, Any]:
    glyph, box = question.glyph, question.box
    return {
        "mark": question.key, "kind": question.kind, "letter": question.letter,
        "glyphs": json.dumps(question.glyphs),
        "x0": box[0], "y0": box[1], "x1": box[2], "y1": box[3],
        "body": json.dumps(glyph.body) if glyph else None,
        "line": glyph.line if glyph else None, "word": glyph.word if glyph else None,
        "place": glyph.place if glyph else None, "expected": glyph.expected if glyph else None,
        "origin": question.origin, "p": question.p, "chance": question.chance,
        "habit": question.habit,
    }  # fmt: skip

"""What is left after review: questions, letters to look at, what was set aside, the owner's page.

The rules of the lists are this project's own (common practice, no source).
"""

from __future__ import annotations

from pathlib import Path

import pytest
import sheet_samples as made

from crownlet.infer.review.decisions import Answer
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.run.run import Run, open_run
from crownlet.infer.sheet.decisions import read_decisions
from crownlet.infer.sheet.lists import (
    gather_places,
    gather_questions,
    render_authority_list,
    render_owner_page,
    render_parchment_list,
    view_owner_page,
)
from crownlet.infer.sheet.make import make_sheets

TAG = ("tag_loose", "finding", 0.97)
FOOT = ("foot_level", "finding", 0.95)
HEEL = ("heel_missing", "finding", 0.9)


@pytest.fixture
def run(tmp_path: Path) -> Run:
    made.page(tmp_path, "bad", made.glyphs(doubts={1: TAG, 31: FOOT, 32: HEEL}))
    made.page(tmp_path, "calm", made.glyphs())
    return made.scrolls(tmp_path, [{"name": n, "faces": [n]} for n in ("bad", "calm")])


def decide(run: Run, choices: dict[str, str]) -> None:
    """Anna decides each kind of doubt."""
    store = ReviewStore.open(run.folder / "review.sqlite3", run, audit_share=0.0)
    for item in store.items("Anna"):
        if item.kind in choices:
            answer = Answer(item.id, choices[item.kind], item.version, None, "by lamplight")
            store.decide_many([answer], "Anna", blind=True)
    store.close()


def test_each_decision_lands_on_its_list(run: Run) -> None:
    decide(
        run, {"tag_loose": "authority", "foot_level": "not_present", "heel_missing": "cannot_tell"}
    )
    run = open_run(run.folder)
    decisions = read_decisions(run)
    [asked] = gather_questions(run, decisions)
    assert [q.entry.finding.kind for q in asked.questions] == ["tag_loose"]
    assert asked.questions[0].asked and asked.questions[0].sources.cited
    [left] = gather_places(run, decisions)
    assert {p.title.partition(": ")[2] for p in left.places} == {"crown loose", "heel missing"}
    assert [p.title.partition(": ")[2] for p in left.set_aside] == ["foot level"]
    page = render_parchment_list(run, decisions)
    assert "Anna" in page and "by lamplight" in page
    assert page.count('class="tick"') == 3
    assert 'class="answer"' in render_authority_list(run, decisions)


def test_a_grave_finding_that_a_reader_confirms_is_a_question(run: Run) -> None:
    grave = {f.kind for f in run.pages["bad"].findings if f.heading == "question"}
    decide(run, dict.fromkeys(("tag_loose", "foot_level", "heel_missing"), "present"))
    run = open_run(run.folder)
    lists = gather_questions(run, read_decisions(run))
    kinds = {q.entry.finding.kind for each in lists for q in each.questions}
    assert kinds == grave and grave
    assert not any(q.asked for each in lists for q in each.questions)


def test_the_owner_reads_what_was_looked_at_found_and_not_examined(run: Run) -> None:
    scroll = run.scrolls[0]
    before = view_owner_page(run, scroll, {})
    assert before.by_state == {"open": 3} and before.readers == ()
    decide(run, {"tag_loose": "present", "foot_level": "not_present"})
    run = open_run(run.folder)
    decisions = read_decisions(run)
    view = view_owner_page(run, scroll, decisions)
    assert view.by_state == {"confirmed": 1, "rejected": 1, "open": 1}
    assert view.kinds == (("crown loose", 1),)
    assert view.letters == len(run.pages["bad"].record.glyphs)
    page = render_owner_page(run, scroll, decisions)
    assert "This is no ruling" in page and "Anna" in page
    assert view.never_examined[0][1:] in page


def test_the_lists_are_written_once_somebody_has_decided(run: Run) -> None:
    make_sheets(run, report=lambda line: None)
    folder = run.folder / "sheets"
    assert not (folder / "authority.html").exists()
    decide(run, {"tag_loose": "authority"})
    make_sheets(open_run(run.folder), report=lambda line: None)
    names = {p.relative_to(folder).as_posix() for p in folder.rglob("*.html")}
    assert {"authority.html", "parchment.html", "owners/bad.html"} <= names
    assert "owners/calm.html" not in names
    links = made.Document((folder / "index.html").read_text(encoding="utf-8")).links
    assert {"authority.html", "parchment.html", "owners/bad.html"} <= set(links)
    assert all((folder / link).is_file() for link in links)


def test_a_picture_that_moved_is_stated_on_the_list(run: Run) -> None:
    decide(run, {"tag_loose": "authority"})
    (run.folder.parent / "scans" / "bad.png").unlink()
    run = open_run(run.folder)
    [only] = gather_questions(run, read_decisions(run))
    assert "bad.png" in only.fault
    assert "Nothing of it can be shown" in render_authority_list(run, read_decisions(run))

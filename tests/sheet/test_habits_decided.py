"""What a reader answered once of a hand stands on sheet, posters and lists, letter by letter.

Counts are checked against the decisions that the test makes (common practice, no source).
"""

from __future__ import annotations

from pathlib import Path

import pytest
import sheet_samples as made
from test_statements import habit, plant

from crownlet.infer.review.decisions import Answer
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.run.names import REVIEW_STORE_FILE
from crownlet.infer.run.run import Run, open_run
from crownlet.infer.sheet.decisions import read_decisions
from crownlet.infer.sheet.lists import gather_places, gather_questions, render_authority_list
from crownlet.infer.sheet.lists import render_parchment_list as render_places
from crownlet.infer.sheet.loading import load_pages, scroll_facts
from crownlet.infer.sheet.make import make_sheets, render_sheet
from crownlet.infer.sheet.posters import render_poster
from crownlet.infer.sheet.scroll_habits import read_habits
from crownlet.infer.sheet.statements import make_statements


@pytest.fixture
def run(tmp_path: Path) -> Run:
    letters = made.glyphs()
    made.page(tmp_path, "one-face", letters)
    run = made.scrolls(tmp_path, [{"name": "one", "faces": ["one-face"]}])
    hes = [g.glyph for g in letters if g.letter == "ה" and not g.in_name]
    alefs = [g.glyph for g in letters if g.letter == "א"]
    plant(run, "one-face", [
        habit("head_melted", "א", alefs, "question", "Heads run in."),
        habit("overstretched", "ה", hes, "information", "Wide."),
    ])  # fmt: skip
    return open_run(run.folder)


def answer(run: Run, key: str, *choices: str) -> list[tuple[str, int]]:
    """Decide the letters of a group, the last choice for all that are left; their keys in order."""
    store = ReviewStore.open(run.folder / REVIEW_STORE_FILE, run, audit_share=0.0)
    group = next(g for g in store.habit_groups("anna") if g.key == key)
    items = [i for i in store.habit_items("anna", group.number) if i.origin == "habit"]
    every = [*choices, *[choices[-1]] * len(items)]
    answers = [Answer(i.id, c, 0) for i, c in zip(items, every, strict=False)]
    store.decide_many(answers, "anna", blind=False, opinion_shown=True)
    store.close()
    return [(i.page, i.glyphs[0]) for i in items]


def habits_of(run: Run):
    scroll = run.scrolls[0]
    return read_habits(run, scroll.pages, scroll_facts(run, scroll), read_decisions(run))


def test_a_letter_set_aside_is_no_evidence_on_sheet_and_poster(run: Run) -> None:
    keys = answer(run, "head_melted:", "not_present", "present")
    first = habits_of(run)[0]
    assert (first.confirmed, first.set_aside, first.state) == (len(keys) - 1, 1, "confirmed")
    assert keys[0] not in first.evidence and set(keys[1:]) == set(first.evidence)
    assert first.reviewed == f"By a reader: {len(keys) - 1} confirmed, 1 set aside."
    pages = load_pages(run, run.scrolls[0])
    shown = make_statements(habits_of(run), pages)[0]
    assert keys[0] not in {crop.key for crop in shown.crops}
    decisions = read_decisions(run)
    assert first.reviewed in render_sheet(run, run.scrolls[0], decisions=decisions)
    poster = render_poster(run, run.scrolls[0], 1, decisions=decisions)
    assert poster is not None and poster.count("<figure>") == len(shown.crops)


def test_a_habit_set_aside_opens_no_sheet_and_has_no_poster(run: Run) -> None:
    answer(run, "head_melted:", "not_present")
    pages = load_pages(run, run.scrolls[0])
    assert [s.habit.defect for s in make_statements(habits_of(run), pages)] == ["overstretched"]
    assert render_poster(run, run.scrolls[0], 1, decisions=read_decisions(run)) is None
    places = gather_places(run, read_decisions(run))
    assert [h.message for h in places[0].habits_set_aside] == ["Heads run in."]


def test_the_lists_hold_the_hand(run: Run) -> None:
    keys = answer(run, "head_melted:", "present")
    answer(run, "overstretched:", "authority")
    decisions = read_decisions(run)
    questions = gather_questions(run, decisions)
    # The graver is commonly held to need a ruling; of the other a reader asks.
    assert [(s.habit.defect, s.habit.asked) for s in questions[0].statements] == [
        ("head_melted", False), ("overstretched", True),
    ]  # fmt: skip
    assert "Asked by a reader, of this hand." in render_authority_list(run, decisions)
    places = gather_places(run, decisions)
    assert len(places[0].habits[0].places) == len(keys)
    html = render_places(run, decisions)
    assert html.count("tick small") == sum(len(h.places) for h in places[0].habits)
    for image in made.Document(html).pictures():
        assert not made.red(image).any()  # No Name is shown.


def test_lists_are_written_once_a_hand_is_decided(run: Run) -> None:
    answer(run, "head_melted:", "present")
    make_sheets(run, report=lambda line: None)
    sheets = run.folder / "sheets"
    assert (sheets / "authority.html").is_file() and (sheets / "owners" / "one.html").is_file()

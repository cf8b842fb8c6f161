"""Well-formed letters of another scroll of the run, for a hand that has none of its own."""

from __future__ import annotations

from crownlet.datasets.files.images import PageError
from crownlet.infer.records import GlyphRecord
from crownlet.infer.run.run import Run, StoredScroll
from crownlet.infer.sheet.decisions import Decisions
from crownlet.infer.sheet.loading import load_page
from crownlet.infer.sheet.page import SheetPage
from crownlet.infer.sheet.scroll_habits import Habit
from crownlet.infer.sheet.statements import GOOD_CROPS, good_letters_of
from crownlet.infer.view.language import translate

MAX_SCROLLS_SEARCHED = 6
"""Other scrolls whose records are read; the picture of one page is."""

ELSEWHERE = "another scroll"
"""In place of the side: no other scroll is named beside a hand."""


def find_elsewhere(
    run: Run, scroll: StoredScroll, habit: Habit, show_names: bool = False
) -> list[tuple[SheetPage, GlyphRecord]]:
    """Letters of the forms concerned without the habit, of the first page that has some."""
    others = [each for each in run.scrolls if each.name != scroll.name]
    for other in others[:MAX_SCROLLS_SEARCHED]:
        for name in other.pages:
            stored = run.pages[name]
            if not good_letters_of(habit, stored.record, name, stored.names):
                continue
            try:
                page = load_page(stored, translate(ELSEWHERE), "", show_names, Decisions(), 1)
            except PageError:
                continue
            found = good_letters_of(habit, stored.record, name, page.veiled.names)
            if found:
                return [(page, letter) for letter in found[:GOOD_CROPS]]
    return []

"""What is left to do after review: questions for an authority, letters to look at on the parchment,
what was set aside and by whom, and a plain page for the owner of a scroll.

Nothing here rules: the lists gather what readers decided, the owner's page says what was looked at.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from crownlet.datasets.files.errors import FileFault
from crownlet.infer.findings.finding import HEADINGS, Finding
from crownlet.infer.run.run import Run, StoredScroll
from crownlet.infer.sheet.decisions import (
    ASKED,
    Decisions,
    DecisionState,
    ShownDecision,
    state_of,
)
from crownlet.infer.sheet.elsewhere import find_elsewhere
from crownlet.infer.sheet.entry import Entry, make_entry, place_words
from crownlet.infer.sheet.groups import PageFinding, Tile, make_tile
from crownlet.infer.sheet.loading import load_pages, name_sides, scroll_facts
from crownlet.infer.sheet.page import SheetPage
from crownlet.infer.sheet.render import render
from crownlet.infer.sheet.scroll_habits import Habit, read_habits
from crownlet.infer.sheet.scroll_sheet import CitedSources, cite_sources
from crownlet.infer.sheet.spread import spread_letters
from crownlet.infer.sheet.statements import (
    MIN_CROP_Q,
    HandStatement,
    StatementCrop,
    cut_letter,
    letter_place,
    make_statements,
    shown_evidence,
)
from crownlet.infer.sheet.veil import spell_place
from crownlet.infer.sheet.wellformed import CleanLetterFinder
from crownlet.infer.sheet.wording import finding_title
from crownlet.infer.view.wording import NEVER_EXAMINED, defect_words

AUTHORITY_FILE, PARCHMENT_FILE, OWNERS_FOLDER = "authority.html", "parchment.html", "owners"

HABIT_CROPS = 3
"""Letters of a habit that are shown in the list of what is looked at on the parchment."""

LIST_KULMUS_PX = (14.0, 20.0)
"""Least and greatest width of the pen in their pictures, px."""


@dataclass(frozen=True)
class AuthorityQuestion:
    """One question for an authority."""

    entry: Entry
    sources: CitedSources
    asked: bool
    """Whether a reader asks; else a reader found it there, and books hold it to need a ruling."""


@dataclass(frozen=True)
class ParchmentPlace:
    """One letter to be looked at on the parchment."""

    tile: Tile
    title: str
    where: str
    state: DecisionState
    decisions: tuple[ShownDecision, ...]


@dataclass(frozen=True)
class ParchmentHabit:
    """What a hand does again and again, to be looked at on the parchment letter by letter."""

    habit: Habit
    crops: tuple[StatementCrop, ...]
    places: tuple[str, ...]
    """Where its letters stand; none that a reader set aside."""


@dataclass(frozen=True)
class ScrollList:
    """What one scroll adds to a list."""

    name: str
    statements: tuple[HandStatement, ...] = ()
    """Questions about what the hand does again and again."""
    questions: tuple[AuthorityQuestion, ...] = ()
    habits: tuple[ParchmentHabit, ...] = ()
    places: tuple[ParchmentPlace, ...] = ()
    set_aside: tuple[ParchmentPlace, ...] = ()
    habits_set_aside: tuple[Habit, ...] = ()
    fault: str = ""
    """Why nothing of it can be shown."""


def gather_questions(
    run: Run, decisions: Decisions, show_names: bool = False
) -> tuple[ScrollList, ...]:
    """By scroll the questions for an authority: about the hand, then those that readers ask, then
    what readers found there and the books commonly hold to need a ruling."""

    def of(
        scroll: StoredScroll, pages: Sequence[SheetPage], rows: Sequence[PageFinding]
    ) -> ScrollList:
        habits = [
            habit
            for habit in read_habits(run, scroll.pages, scroll_facts(run, scroll), decisions)
            if habit.asked or (habit.heading == "question" and habit.state == "confirmed")
        ]
        finder = CleanLetterFinder([page.veiled for page in pages])
        chosen = [(page, f) for page, f in rows if _is_question(page, f)]
        chosen.sort(key=lambda row: not _is_asked(*row))
        entries = [make_entry(page, f, finder) for page, f in chosen]
        sources = cite_sources(entries)
        return ScrollList(
            scroll.name,
            make_statements(
                habits,
                pages,
                len(habits),
                lambda habit: find_elsewhere(run, scroll, habit, show_names),
            ),
            tuple(
                AuthorityQuestion(entry, sources[entry.anchor], _is_asked(*row))
                for entry, row in zip(entries, chosen, strict=True)
            ),
        )

    lists = _by_scroll(run, decisions, show_names, of)
    return tuple(each for each in lists if each.statements or each.questions or each.fault)


def gather_places(
    run: Run, decisions: Decisions, show_names: bool = False
) -> tuple[ScrollList, ...]:
    """By scroll the places that readers found there or could not tell, and those set aside."""

    def of(
        scroll: StoredScroll, pages: Sequence[SheetPage], rows: Sequence[PageFinding]
    ) -> ScrollList:
        habits = read_habits(run, scroll.pages, scroll_facts(run, scroll), decisions)
        places = [_place(page, f) for page, f in rows if page.decided.get(f.number)]
        return ScrollList(
            scroll.name,
            habits=tuple(
                _parchment_habit(habit, pages)
                for habit in habits if habit.state in ("confirmed", "unsettled")
            ),
            habits_set_aside=tuple(habit for habit in habits if habit.state == "rejected"),
            places=tuple(each for each in places if each.state != "rejected"),
            set_aside=tuple(each for each in places if each.state == "rejected"),
        )  # fmt: skip

    lists = _by_scroll(run, decisions, show_names, of)
    return tuple(
        each
        for each in lists
        if each.habits or each.places or each.habits_set_aside or each.set_aside or each.fault
    )


def _by_scroll(
    run: Run, decisions: Decisions, show_names: bool,
    of: Callable[[StoredScroll, Sequence[SheetPage], Sequence[PageFinding]], ScrollList],
) -> list[ScrollList]:  # fmt: skip
    """A list of every scroll on which a reader has decided; pictures are read one by one."""
    lists = []
    decided = decided_pages(decisions)
    for scroll in run.scrolls:
        if decided.isdisjoint(scroll.pages):
            continue
        try:
            pages = load_pages(run, scroll, show_names, decisions)
        except FileFault as error:
            lists.append(ScrollList(scroll.name, fault=str(error)))
            continue
        rows = [(page, f) for page in pages for f in page.findings if f.scope != "page"]
        rows.sort(key=lambda row: list(HEADINGS).index(row[1].heading))
        lists.append(of(scroll, pages, rows))
    return lists


def decided_pages(decisions: Decisions) -> set[str]:
    """The pages on which a reader has decided anything."""
    return {page for page, _ in decisions} | {page for page, _, _ in decisions.letters}


def _is_asked(page: SheetPage, finding: Finding) -> bool:
    return any(d.choice == ASKED for d in page.decided.get(finding.number, ()))


def _is_question(page: SheetPage, finding: Finding) -> bool:
    grave = finding.heading == "question" and page.state(finding) == "confirmed"
    return grave or _is_asked(page, finding)


def _parchment_habit(habit: Habit, pages: Sequence[SheetPage]) -> ParchmentHabit:
    by_name = {page.name: page for page in pages}
    shown = shown_evidence(habit, pages)
    crops = [
        cut_letter(by_name[key[0]], shown[key], MIN_CROP_Q, LIST_KULMUS_PX)
        for key in spread_letters(shown)[:HABIT_CROPS]
    ]
    places = (
        letter_place(by_name[page], by_name[page].veiled.record.glyphs[number - 1])
        for page, number in habit.evidence
    )
    return ParchmentHabit(habit, tuple(crops), tuple(places))


def _place(page: SheetPage, finding: Finding) -> ParchmentPlace:
    line = spell_place(page.lines.get(finding.line, []), set(finding.glyphs), page.veiled.names)
    made = page.decided.get(finding.number, ())
    return ParchmentPlace(
        make_tile(page, finding), finding_title(finding),
        place_words(page, finding, page.letters(finding), line), state_of(made), made,
    )  # fmt: skip


def render_authority_list(run: Run, decisions: Decisions, show_names: bool = False) -> str:
    """The list for an authority as an HTML page."""
    lists = gather_questions(run, decisions, show_names)
    return render("authority.html", lists=lists, shows_names=show_names)


def render_parchment_list(run: Run, decisions: Decisions, show_names: bool = False) -> str:
    """The letters to be looked at on the parchment, and what was set aside, as an HTML page."""
    lists = gather_places(run, decisions, show_names)
    return render("parchment.html", lists=lists, shows_names=show_names)


@dataclass(frozen=True)
class OwnerPage:
    """The plain page for the owner of a scroll: what was looked at, found and not examined."""

    name: str
    pages: tuple[tuple[str, int, str], ...]
    """Side, letters read, and the text with which they were compared, of each page."""
    letters: int
    by_state: Mapping[DecisionState, int]
    """Findings by what readers made of them."""
    reviews: int
    """Places of doubt."""
    readers: tuple[str, ...]
    kinds: tuple[tuple[str, int], ...]
    """What readers found there, by kind."""
    questions: int
    """Questions left to an authority."""
    not_examined: tuple[str, ...]
    never_examined: tuple[str, ...]


def view_owner_page(run: Run, scroll: StoredScroll, decisions: Decisions) -> OwnerPage:
    """What was looked at, found and not examined on a scroll; RunError for a damaged table."""
    sides = name_sides(scroll)
    pages = [run.pages[name] for name in sides]
    made = {
        (page.name, f.number): decisions.get((page.name, f.number), ())
        for page in pages for f in page.findings
    }  # fmt: skip
    found = [(page.name, f) for page in pages for f in page.findings if f.route == "finding"]
    confirmed = [
        f for page in pages for f in page.findings
        if state_of(made[page.name, f.number]) == "confirmed"
    ]  # fmt: skip
    records = [page.record for page in pages]
    seen_by = (d.reader for each in made.values() for d in each if d.reader)
    return OwnerPage(
        name=scroll.name,
        pages=tuple(
            (sides[page.name][0], len(record.glyphs),
             defect_words(record.match.portion) if record.match else "")
            for page, record in zip(pages, records, strict=True)
        ),
        letters=sum(len(record.glyphs) for record in records),
        by_state=Counter(state_of(made[name, f.number]) for name, f in found),
        reviews=sum(f.route == "review" for page in pages for f in page.findings),
        readers=tuple(dict.fromkeys(seen_by)),
        kinds=tuple(Counter(defect_words(f.kind) for f in confirmed).most_common()),
        questions=sum(any(d.choice == ASKED for d in each) for each in made.values()),
        not_examined=tuple(
            dict.fromkeys(
                line for record in records for line in record.not_examined
                if line not in NEVER_EXAMINED
            )
        ),
        never_examined=NEVER_EXAMINED,
    )  # fmt: skip


def render_owner_page(run: Run, scroll: StoredScroll, decisions: Decisions) -> str:
    """The page for the owner of one scroll as HTML."""
    return render("owner.html", v=view_owner_page(run, scroll, decisions))


def scrolls_decided(run: Run, decisions: Decisions) -> Iterable[StoredScroll]:
    """The scrolls on which a reader has decided."""
    decided = decided_pages(decisions)
    return (scroll for scroll in run.scrolls if not decided.isdisjoint(scroll.pages))

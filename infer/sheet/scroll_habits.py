"""The statements of habit of one scroll, read from its run, with what readers made of them.

They stand as `habits` in scrolls.json and in page.json; those of several pages about one defect are
one statement here.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.infer.findings.finding import HEADING_RANK, HEADINGS, Heading
from crownlet.infer.hand_records import DOUBTED
from crownlet.infer.records import LETTER_EXTRA
from crownlet.infer.run.run import Run
from crownlet.infer.run.tables import read_json
from crownlet.infer.sheet.decisions import ASKED, Decisions, DecisionState
from crownlet.infer.sheet.spread import CropKey
from crownlet.infer.view.language import translate

READER_WORDS = ("confirmed", "set aside", "left open or to an authority")
"""What readers made of letters, as their numbers are given."""


@dataclass(frozen=True)
class Habit:
    """One statement of habit with its evidence."""

    defect: str
    letters: str
    """The forms concerned."""
    heading: Heading
    message: str
    """One sentence: what, how many of how many, face beside reverse."""
    evidence: tuple[CropKey, ...]
    """The letters that show it, page by page in reading order: without those on which a reader
    found otherwise, and with those that a reader found beside them."""
    confirmed: int = 0
    """Letters on which a reader found it."""
    set_aside: int = 0
    """Letters on which a reader found otherwise than the program."""
    unsettled: int = 0
    """Letters on which a reader could not tell, or asks an authority."""
    asked: bool = False
    """Whether a reader asks an authority."""
    doubted: bool = False
    """Whether its letters are in doubt, and nothing of it is seen."""
    share: float = 0.0
    """Share of the judged letters that show it."""

    @property
    def state(self) -> DecisionState:
        """What readers made of it."""
        if self.unsettled:
            return "unsettled"
        if self.confirmed:
            return "confirmed"
        return "rejected" if self.set_aside else "open"

    @property
    def reviewed(self) -> str:
        """What readers made of its letters, as a sentence; "" where none has looked."""
        counts = zip((self.confirmed, self.set_aside, self.unsettled), READER_WORDS, strict=True)
        listed = [f"{n:,} {translate(words)}" for n, words in counts if n]
        return translate("By a reader: {what}.", what=", ".join(listed)) if listed else ""


_Group = tuple[str, object, bool]
"""A defect, the crowns that its letters ask for, and whether it is only in doubt."""


def read_habits(
    run: Run,
    pages: Iterable[str],
    facts: Mapping[str, Any],
    decisions: Decisions | None = None,
) -> tuple[Habit, ...]:
    """The statements of habit of one scroll, gravest first, those in doubt last; empty in runs that
    have none.

    `pages` are the names of its pages, `facts` is the scroll's object in scrolls.json. RunError for
    a damaged page.json.
    """
    made = decisions or Decisions()
    of_scroll = {_group(each): each for each in facts.get("habits", ())}
    by_group: dict[_Group, list[tuple[str, Mapping[str, Any]]]] = {}
    for page in pages:
        for each in read_json(run.folder / page / "page.json").get("habits", ()):
            by_group.setdefault(_group(each), []).append((page, each))
    for group, whole in of_scroll.items():
        if group not in by_group and whole.get("glyphs"):
            by_group[group] = _rows_of_all_pages(whole)
    found = [
        _habit(run, rows, of_scroll.get(group, {}), made)
        for group, rows in by_group.items()
        if group[0] in CATALOGUE
    ]
    return tuple(sorted(found, key=_order))


def _order(habit: Habit) -> tuple[bool, int, bool, float]:
    """What is seen first, gravest first; marks after what the hand does; then by share."""
    marks = habit.defect == LETTER_EXTRA
    return habit.doubted, HEADING_RANK[habit.heading], marks, -habit.share


def _rows_of_all_pages(whole: Mapping[str, Any]) -> list[tuple[str, Mapping[str, Any]]]:
    """Of a habit that only all pages together show, one row for each page with letters of it."""
    letters = [{"letter": letter} for letter in whole["letters"] or [""]]
    return [
        (page, {**whole, "letters": letters, "glyphs": numbers, "exceptions": []})
        for page, numbers in whole["glyphs"].items()
    ]


def _group(habit: Mapping[str, Any]) -> _Group:
    """What one statement of a scroll is about; what is in doubt is not put with what is seen."""
    return str(habit["defect"]), habit.get("tags_expected"), habit.get("kind") == DOUBTED


def _habit(
    run: Run, rows: Sequence[tuple[str, Mapping[str, Any]]], whole: Mapping[str, Any],
    decisions: Decisions,
) -> Habit:  # fmt: skip
    forms = "".join(dict.fromkeys(f["letter"] for _, each in rows for f in each["letters"]))
    headings = [name for name in HEADINGS for _, each in rows if each["heading"] == name]
    defect = str(rows[0][1]["defect"])
    claimed = [(page, int(n)) for page, each in rows for n in each["glyphs"]]
    added = _letters_added(run, rows, defect, forms, decisions, set(claimed))
    states = {key: decisions.letter_state((*key, defect)) for key in (*claimed, *added)}
    counts = Counter(states.values())
    return Habit(
        defect=defect, letters=forms, heading=headings[0] if headings else "information",
        message=str(whole.get("message") or rows[0][1].get("message") or ""),
        evidence=tuple(key for key, state in states.items() if state != "rejected"),
        confirmed=counts["confirmed"], set_aside=counts["rejected"], unsettled=counts["unsettled"],
        asked=any(
            made.choice == ASKED
            for key in states
            for made in decisions.letters.get((*key, defect), ())
        ),
        doubted=rows[0][1].get("kind") == DOUBTED,
        share=sum(each.get("seen") or len(each["glyphs"]) for _, each in rows)
        / max(1, sum(each.get("judged", 0) for _, each in rows)),
    )  # fmt: skip


def _letters_added(
    run: Run, rows: Sequence[tuple[str, Mapping[str, Any]]], defect: str, forms: str,
    decisions: Decisions, claimed: set[CropKey],
) -> list[CropKey]:  # fmt: skip
    """Letters of the forms concerned on which a reader found it and the program did not."""
    pages, tags = {page for page, _ in rows}, rows[0][1].get("tags_expected")
    found = [
        (page, number)
        for page, number, kind in sorted(decisions.letters)
        if kind == defect and page in pages and (page, number) not in claimed
        and decisions.letter_state((page, number, kind)) == "confirmed"
    ]  # fmt: skip
    letters = {key: run.pages[key[0]].record.glyphs[key[1] - 1] for key in found}
    return [
        key for key, letter in letters.items()
        if (not forms or letter.judged_as in forms) and tags in (None, letter.tags_expected)
    ]  # fmt: skip

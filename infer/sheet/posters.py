"""Posters: one sentence about a hand on one page, with crops of at least 4 cm and the good form."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import urlencode

from crownlet.infer.run.run import Run, StoredScroll
from crownlet.infer.sheet.decisions import Decisions
from crownlet.infer.sheet.elsewhere import find_elsewhere
from crownlet.infer.sheet.loading import load_pages, scroll_facts
from crownlet.infer.sheet.page import SheetPage
from crownlet.infer.sheet.render import render
from crownlet.infer.sheet.scroll_habits import read_habits
from crownlet.infer.sheet.spread import CropKey, spread_letters
from crownlet.infer.sheet.statements import (
    POSTER_CROPS,
    POSTER_KULMUS_PX,
    WALL_KULMUS_PX,
    HandStatement,
    cut_letter,
    exchange,
    make_statement,
    shown_evidence,
)

PAPERS = ("A4", "A3")

MAX_OTHERS = 40
"""Letters offered in place of one that is exchanged."""


@dataclass(frozen=True)
class PosterChoice:
    """What a person chose for a poster."""

    crops: tuple[CropKey, ...] = ()
    """Letters in their places; the remaining places are filled by the program."""
    change: int | None = None
    """The place, from 0, in which another letter is to be put."""
    paper: str = PAPERS[0]

    @classmethod
    def from_query(cls, query: Mapping[str, str]) -> PosterChoice:
        """The choice that an address holds; what is wrong in it counts as not chosen."""
        pairs = (part.rpartition(":") for part in query.get("crops", "").split("|"))
        crops = tuple((page, int(n)) for page, _, n in pairs if n.isascii() and n.isdigit())
        change = query.get("change", "")
        place = int(change) if change.isascii() and change.isdigit() else None
        paper = query.get("paper", "")
        return cls(crops, place, paper if paper in PAPERS else PAPERS[0])

    def address(self) -> str:
        """The query of an address that holds the choice."""
        parts = {"crops": "|".join(f"{page}:{n}" for page, n in self.crops), "paper": self.paper}
        change = {} if self.change is None else {"change": str(self.change)}
        return f"?{urlencode(parts | change)}"


def render_poster(
    run: Run, scroll: StoredScroll, number: int, choice: PosterChoice | None = None,
    show_names: bool = False, decisions: Decisions | None = None,
) -> str | None:  # fmt: skip
    """The poster of a scroll's statement as HTML; None where there is none of this number.

    Letters on which a reader found otherwise are left out.

    With a `choice` its letters can be exchanged by a click. PageError if a picture has moved.
    """
    habits = read_habits(run, scroll.pages, scroll_facts(run, scroll), decisions)
    if not 0 < number <= len(habits):
        return None
    pages = load_pages(run, scroll, show_names)
    habit, made = habits[number - 1], choice or PosterChoice()
    statement = make_statement(
        number, habit, pages, made.crops, POSTER_CROPS, POSTER_KULMUS_PX,
        lambda habit: find_elsewhere(run, scroll, habit, show_names),
    )  # fmt: skip
    if statement is None:
        return None
    if choice is None:
        return render("poster.html", s=statement, paper=made.paper, links=(), others=(), papers=())
    keys = tuple(crop.key for crop in statement.crops)
    links = [PosterChoice(keys, place, made.paper).address() for place in range(len(keys))]
    return render(
        "poster.html", s=statement, paper=made.paper, links=links,
        others=_others(statement, pages, keys, made),
        papers=[(name, PosterChoice(keys, None, name).address()) for name in PAPERS],
    )  # fmt: skip


def _others(
    statement: HandStatement, pages: Sequence[SheetPage], keys: tuple[CropKey, ...],
    choice: PosterChoice,
) -> list[tuple[object, str]]:  # fmt: skip
    """Letters to put in the place that is to be changed, each with the address that does it."""
    place = choice.change
    if place is None or place >= len(keys):
        return []
    evidence = shown_evidence(statement.habit, pages)
    by_name = {page.name: page for page in pages}
    offered = [key for key in spread_letters(evidence) if key not in keys][:MAX_OTHERS]
    return [
        (
            cut_letter(by_name[key[0]], evidence[key], statement.size_q, WALL_KULMUS_PX),
            PosterChoice(exchange(keys, place, key), None, choice.paper).address(),
        )
        for key in offered
    ]

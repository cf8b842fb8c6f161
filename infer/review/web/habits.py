"""Handlers of what is asked once of a hand: its page, and the answer for all its letters."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any, NamedTuple

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.infer.review.decisions import Answer
from crownlet.infer.review.habit_questions import (
    group_claim,
    is_claimed,
    parse_habit_key,
)
from crownlet.infer.review.item_crops import is_in_name, is_wide
from crownlet.infer.review.models import Choice, ChoiceError, HabitGroup, Item, StaleError
from crownlet.infer.review.web.actions import STALE_MESSAGE, cell_state, parse_items, read_json
from crownlet.infer.review.web.pages import render_page, require_reader, session_of
from crownlet.infer.review.web.requests import (
    BrowserWindow,
    UserFacingError,
    parse_item_number,
    parse_reader_name,
    read_window,
)
from crownlet.infer.review.web.session import ReviewSession, habit_address
from crownlet.infer.view.language import translate
from crownlet.infer.view.wording import count_of, describe_defect

ANSWERS: tuple[Choice, ...] = ("present", "not_present", "cannot_tell", "authority")
"""What may be answered for all letters of a hand."""

SAVED_WORDS: dict[Choice, str] = {
    "present": "have it", "not_present": "do not", "cannot_tell": "cannot be judged",
    "authority": "are a question for an authority",
}  # fmt: skip
"""What was kept of some letters."""

NOT_THIS_GROUP = "These letters are asked otherwise by now; load the page again."


class HabitPart(NamedTuple):
    """The letters of one statement that are shown together, under a heading."""

    heading: str
    cells: tuple[Item, ...]
    claimed: bool
    """Whether they are shown as letters that have it."""


async def show_habit(request: Request) -> Response:
    """All letters of one statement, bare and as large as the window allows."""
    session, window = session_of(request), require_reader(request)
    groups = session.store.habit_groups(window.reader)
    group = _find(groups, parse_item_number(request.path_params["number"]))
    items = session.store.habit_items(window.reader, group.number)
    letters = [item for item in items if item.origin != "statement"]
    # The page says what the program holds of them: no decision made here is an independent one.
    session.disclose(window.reader, (item.id for item in items))
    session.crops.request(letters, "wall")
    at = groups.index(group)
    return render_page(
        request, "habit.html", group=group, claim=_claim(session, group, items),
        described=describe_defect(parse_habit_key(group.key)[0]), parts=_parts(letters),
        number=at + 1, groups=len(groups), open=group.open,
        in_name={cell.id for cell in letters if is_in_name(cell, session.run)},
        wide={cell.id for cell in letters if is_wide(cell)},
        following=_following(session, groups, at),
    )  # fmt: skip


async def answer_habit(request: Request) -> Response:
    """Keep one answer for all letters of a statement that were on the screen, in one step.

    Those clicked as otherwise get the other answer; the statement itself is decided with the last
    of its letters.
    """
    session, sent = session_of(request), await read_json(request)
    window = BrowserWindow(parse_reader_name(sent.get("reader")), read_window(request).blind)
    number = parse_item_number(request.path_params["number"])
    given, answer = dict(parse_items(sent.get("items"))), sent.get("answer")
    otherwise = {parse_item_number(str(k)) for k in _listed(sent.get("otherwise"))}
    if answer not in ANSWERS:
        raise UserFacingError("This is no answer for all of them.")
    items = session.store.habit_items(window.reader, number)
    known = {item.id: item for item in items}
    if not given.keys() <= known.keys():
        raise UserFacingError(NOT_THIS_GROUP, 409)
    choices = {number: choice_for(known[number], answer, number in otherwise) for number in given}
    answers = [Answer(number, choices[number], given[number]) for number in given]
    letters = [item for item in items if item.origin != "statement"]
    if all(item.id in given or item.decision is not None for item in letters):
        answers += [
            Answer(item.id, answer, item.version) for item in items if item.origin == "statement"
        ]
    try:
        # The window has shown what the program holds of them.
        session.store.decide_many(answers, window.reader, blind=False, opinion_shown=True)
    except StaleError:
        return _state(session, window, given, {"error": translate(STALE_MESSAGE)}, 409)
    except ChoiceError as error:
        raise UserFacingError(str(error)) from None
    return _state(session, window, given, {"message": _saved_words(choices.values())})


def choice_for(item: Item, answer: Choice, otherwise: bool) -> Choice:
    """What an answer for all means for one letter.

    "Present" agrees with what is shown of each letter; any other answer is that of the letters that
    are shown as having it, the others not having it. `otherwise` turns it round.
    """
    claimed = is_claimed(item.origin, item.p)
    choice: Choice = answer if claimed else "not_present"
    if not otherwise:
        return choice
    return "present" if choice == "not_present" else "not_present"


def _saved_words(choices: Sequence[Choice] | Any) -> str:
    counts = Counter(choices)
    listed = [
        f"{counts[choice]} {translate(SAVED_WORDS[choice])}" for choice in ANSWERS if counts[choice]
    ]
    letters = count_of(sum(counts.values()), "letter")
    return translate("Saved for {letters}: {what}.", letters=letters, what=", ".join(listed))


def _state(
    session: ReviewSession, window: BrowserWindow, given: dict[int, int], answer: dict[str, Any],
    status: int = 200,
) -> Response:  # fmt: skip
    cells = [cell_state(session.item(window, number)) for number in given]
    return JSONResponse({**answer, "cells": cells}, status)


def _listed(given: object) -> list[object]:
    if not isinstance(given, list):
        raise UserFacingError("This is no decision on any letter.")
    return given


def _find(groups: Sequence[HabitGroup], number: int) -> HabitGroup:
    for group in groups:
        if group.number == number:
            return group
    raise UserFacingError("There is no such question in this review.", 404)


def _claim(session: ReviewSession, group: HabitGroup, items: Sequence[Item]) -> str:
    """The sentence of one group; that no letter has a crown, only the records of its pages hold."""
    pages = session.run.pages
    none = group.key.startswith("tag_missing:") and not any(
        pages[item.page].record.glyphs[item.glyphs[0] - 1].tags_seen
        for item in items
        if item.origin in ("habit", "finding")
    )
    return group_claim(group, none)


def _parts(letters: Sequence[Item]) -> list[HabitPart]:
    """Seen, in doubt, departing; in each the forms of the alphabet, within them as they stand."""
    ordered = sorted(letters, key=lambda item: LETTERS.find(item.letter or " "))
    seen = tuple(item for item in ordered if item.origin in ("habit", "finding"))
    doubted = [item for item in ordered if item.origin in ("habit_doubt", "review")]
    rather_so = tuple(i for i in doubted if is_claimed(i.origin, i.p))
    rather_not = tuple(i for i in doubted if not is_claimed(i.origin, i.p))
    not_so = tuple(i for i in ordered if i.origin == "habit_exception")
    parts = [
        HabitPart("", seen, True),
        HabitPart(translate("In doubt, rather so"), rather_so, True),
        HabitPart(translate("In doubt, rather not so"), rather_not, False),
        HabitPart(translate("Not so"), not_so, False),
    ]
    return [part for part in parts if part.cells]


def _following(session: ReviewSession, groups: Sequence[HabitGroup], at: int) -> str:
    """The address of the next group with open letters; after the last, of the start page."""
    others = (*groups[at + 1 :], *groups[:at])
    return next((habit_address(group) for group in others if group.open), session.home)

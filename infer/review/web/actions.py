"""Requests that change something: reader's name, blind or not, decisions, undo, export."""

from __future__ import annotations

import json
from typing import Any
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from crownlet.infer.review.decisions import Answer
from crownlet.infer.review.models import ChoiceError, Item, ItemError, StaleError
from crownlet.infer.review.web.pages import session_of
from crownlet.infer.review.web.render import render
from crownlet.infer.review.web.requests import (
    BrowserWindow,
    UserFacingError,
    cookie_name,
    page_of_this_server,
    parse_item_number,
    parse_reader_name,
    read_filter,
    read_window,
)
from crownlet.infer.review.wording import choice_sign, decision_words
from crownlet.infer.view.language import translate, translate_count
from crownlet.infer.view.sentences import localize

MAX_ITEMS_PER_REQUEST = 10_000
"""Letters decided in one step; a wall shows no more."""

STALE_MESSAGE = "This was decided meanwhile in another window; what stands there is shown now."


async def set_reader(request: Request) -> Response:
    """Keep the reader's name for this window."""
    form = await request.form()
    answer = RedirectResponse(session_of(request).home, 303)
    _set_cookie(request, answer, "reader", quote(parse_reader_name(form.get("reader"))))
    return answer


async def set_blind(request: Request) -> Response:
    """Switch between blind and not, and go back to the page from which it was sent."""
    form = await request.form()
    back = page_of_this_server(form.get("back")) or session_of(request).home
    answer = RedirectResponse(back, 303)
    _set_cookie(request, answer, "blind", "1" if form.get("blind") == "1" else "0")
    return answer


def _set_cookie(request: Request, answer: Response, name: str, value: str) -> None:
    answer.set_cookie(cookie_name(request, name), value, httponly=True, samesite="strict", path="/")


async def decide(request: Request) -> Response:
    """Keep a decision on one item, or the same on many in one step; the answer follows when it is
    on disk."""
    session, sent = session_of(request), await read_json(request)
    window = BrowserWindow(parse_reader_name(sent.get("reader")), read_window(request).blind)
    items, choice = parse_items(sent.get("items")), sent.get("choice")
    right = sent.get("right_letter")
    note = "" if sent.get("note") is None else sent["note"]
    if not (isinstance(choice, str) and isinstance(note, str) and isinstance(right, str | None)):
        raise UserFacingError("This is no decision.")
    try:
        answers = [Answer(item, choice, version, right, note) for item, version in items]
        session.store.decide_many(answers, window.reader, blind=window.blind)
    except StaleError:
        return _current_state(
            request, window, items, sent, {"error": translate(STALE_MESSAGE)}, 409
        )
    except ItemError:
        raise UserFacingError("There is no such letter in this review.", 404) from None
    except ChoiceError as error:
        raise UserFacingError(str(error)) from None
    words = decision_words(choice, right)
    message = translate_count(
        "Saved: {words}.", "Saved {n} times: {words}.", len(items), words=words
    )
    if sent.get("wall"):
        return _current_state(request, window, items, sent, {"message": message})
    item_filter = read_filter(request)
    following = session.next_open(window, items[-1][0], item_filter)
    return _letter_response(request, window, following, message)


async def undo(request: Request) -> Response:
    """Take the reader's last decision back."""
    session, sent = session_of(request), await read_json(request)
    window = BrowserWindow(parse_reader_name(sent.get("reader")), read_window(request).blind)
    back = session.store.undo_step(window.reader)
    if not back:
        raise UserFacingError("There is nothing to take back.")
    words = decision_words(back[0].choice, back[0].right_letter)
    message = translate_count(
        "Taken back: {words}.", "Taken back {n} times: {words}.", len(back), words=words
    )
    if sent.get("wall"):
        return _current_state(
            request, window, [(d.item, 0) for d in back], sent, {"message": message}
        )
    return _letter_response(request, window, session.item(window, back[0].item), message)


async def export(request: Request) -> Response:
    """Write decisions and labels into the run."""
    from crownlet.infer.review.export import export_review

    session = session_of(request)
    written = await run_in_threadpool(export_review, session.run, session.store)
    message = translate("Written: {what}", what=" ".join(map(localize, str(written).splitlines())))
    request.app.state.message[read_window(request).reader] = message
    return RedirectResponse(session.home, 303)


async def read_json(request: Request) -> dict[str, Any]:
    """What the page's script sent; UserFacingError where it is no object."""
    try:
        sent = json.loads(await request.body(), object_pairs_hook=_each_once)
    except (ValueError, RecursionError):
        sent = None
    if not isinstance(sent, dict):
        raise UserFacingError("This request cannot be read.")
    return sent


def _each_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """An object of JSON; ValueError where a key stands in it twice."""
    made = dict(pairs)
    if len(made) != len(pairs):
        raise ValueError("a key stands twice")
    return made


def parse_items(given: object) -> list[tuple[int, int]]:
    """Items with the versions that the window showed; UserFacingError if there are none."""
    if not isinstance(given, list) or not given:
        raise UserFacingError("This is no decision on any letter.")
    if len(given) > MAX_ITEMS_PER_REQUEST:
        raise UserFacingError("This is more than can be decided at once.")
    pairs = [pair for pair in given if isinstance(pair, list) and len(pair) == 2]
    if len(pairs) != len(given):
        raise UserFacingError("This is no decision on any letter.")
    items = [(parse_item_number(str(a)), parse_item_number(str(b))) for a, b in pairs]
    if len({number for number, _ in items}) != len(items):
        raise UserFacingError("This decides on one letter more than once.")
    return items


def _current_state(
    request: Request, window: BrowserWindow, items: list[tuple[int, int]], sent: dict[str, Any],
    answer: dict[str, Any], status: int = 200,
) -> Response:  # fmt: skip
    """The state of these items, for the window to show."""
    session = session_of(request)
    now = [session.item(window, k) for k, _ in items]
    if not sent.get("wall"):
        part = session.letter_values(window, now[0], read_filter(request))
        answer |= {"url": part["url"], "html": render("letter.html", part)}
    return JSONResponse({**answer, "cells": [cell_state(item) for item in now]}, status)


def _letter_response(
    request: Request, window: BrowserWindow, item: Item | None, message: str
) -> Response:
    part = session_of(request).letter_values(window, item, read_filter(request))
    following = translate("Nothing is left here.")
    if part["view"]:
        following = translate("Next: {question}", question=part["view"].question)
    return JSONResponse(
        {
            "message": f"{message} {following}",
            "url": part["url"],
            "html": render("letter.html", part),
        }
    )


def cell_state(item: Item) -> dict[str, Any]:
    """An item as the wall shows it."""
    made = item.decision
    words = decision_words(made.choice, made.right_letter) if made else translate("open")
    return {
        "id": item.id, "version": item.version, "choice": made.choice if made else "",
        "words": words, "tag": f"{choice_sign(made.choice)} {words}" if made else "",
    }  # fmt: skip

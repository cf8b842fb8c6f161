"""The pages that a reader looks at: the beginning, one by one, the wall, two readers, pictures."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import Any
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from crownlet.datasets.alphabet import BY_CHAR, LETTERS
from crownlet.datasets.catalogue import CATALOGUE
from crownlet.infer.cautions import NAME_CAUTION, RULING, UNFAMILIAR
from crownlet.infer.review.asking import Chosen, Sentence, Window, chosen, letter_of, number, window
from crownlet.infer.review.desk import Desk
from crownlet.infer.review.entries import Item
from crownlet.infer.review.forms import FORMS, in_name, is_wide
from crownlet.infer.review.missed import ALL, missed_estimate, sentence
from crownlet.infer.review.questions import question
from crownlet.infer.review.queue import lot
from crownlet.infer.review.rendering import render
from crownlet.infer.review.walls import Wall, walls
from crownlet.infer.survey.state import read_survey

CAUTIONS = (
    RULING,
    NAME_CAUTION,
    "Names of sources and of persons do not belong in public: think before you pass on what you "
    "write out of this review.",
)


def desk_of(request: Request) -> Desk:
    """The review that the server holds."""
    desk: Desk = request.app.state.desk
    return desk


def page(request: Request, template: str, **values: Any) -> HTMLResponse:
    """A whole page, with what the frame round every page needs."""
    frame = {**window(request)._asdict(), "back": request.url.path + _query(request)}
    return HTMLResponse(render(template, {**frame, **values}))


def _query(request: Request) -> str:
    return f"?{request.url.query}" if request.url.query else ""


def named(request: Request) -> Window:
    """The window of a reader who has given a name; Sentence if he has not."""
    found = window(request)
    if not found.reader:
        raise Sentence("Give your name at the beginning first.", 403)
    return found


async def start(request: Request) -> Response:
    """The beginning: who reads, how far, and where to look."""
    desk, reader = desk_of(request), window(request).reader
    return page(
        request, "start.html",
        pages=len(desk.run.pages), scrolls=len(desk.run.scrolls),
        readers=[entry.name for entry in desk.store.readers()],
        progress=desk.store.progress(reader) if reader else None,
        doubts=_doubts(desk, reader) if reader else [], missed=_missed(desk, reader),
        names=sorted(scroll.name for scroll in desk.run.scrolls),
        message=request.app.state.message.pop(reader, ""), cautions=CAUTIONS,
        survey=read_survey(desk.run.folder) is not None,
    )  # fmt: skip


def _missed(desk: Desk, reader: str) -> str:
    """What the letters mixed in tell, at the end: a count on the way would tell which they are."""
    if not reader or desk.store.progress(reader).open:
        return ""
    told = missed_estimate(desk.store, reader)[ALL]
    return sentence(told) if told.asked else ""


def _doubts(desk: Desk, reader: str) -> list[dict[str, Any]]:
    """Walls by doubt in the order of the queue, letters by the alphabet, several last."""
    hung = walls(desk.store.groups(reader))
    order = list(dict.fromkeys(wall.kind for wall in hung))
    hung.sort(
        key=lambda wall: (
            order.index(wall.kind),
            len(wall.letters) > 1,
            LETTERS.find(wall.letters[0] or " "),
        )
    )
    return [
        {
            "kind": kind,
            "words": CATALOGUE[kind].description if kind in CATALOGUE else UNFAMILIAR,
            "walls": [
                {"letter": "" if len(wall.letters) > 1 else wall.letters[0], "name": _named(wall),
                 "several": len(wall.letters) > 1, "open": wall.open, "done": wall.done,
                 "href": wall.href}
                for wall in members
            ],
        }
        for kind, members in groupby(hung, key=lambda wall: wall.kind)
    ]  # fmt: skip


def _named(wall: Wall) -> str:
    return "several letters" if len(wall.letters) > 1 else _name(wall.letters[0])


def _name(letter: str) -> str:
    return BY_CHAR[letter].name if letter in BY_CHAR else "places"


async def one(request: Request) -> Response:
    """One item, or the first that is open; as a part of the page where the script asks for that."""
    desk, looking, choice = desk_of(request), named(request), chosen(request)
    if "number" in request.path_params:
        item: Item | None = desk.item(looking, number(request.path_params["number"]))
    else:
        item = desk.next(looking, None, choice)
        if item is not None:
            return RedirectResponse(f"/one/{item.id}{choice.query}", 303)
    return letter(request, item)


def letter(request: Request, item: Item | None) -> Response:
    """An item as a whole page, or as the part that the script puts in."""
    found = desk_of(request).letter(window(request), item, chosen(request))
    if request.headers.get("x-part") == "letter":
        return JSONResponse({"url": found["url"], "html": render("letter.html", found)})
    return page(request, "one.html", **found)


async def step(request: Request) -> Response:
    """The next open item after one, or the one before it."""
    desk, looking, choice = desk_of(request), named(request), chosen(request)
    here = number(request.path_params["number"])
    if request.path_params["way"] == "previous":
        return letter(request, desk.previous(looking, here, choice))
    return letter(request, desk.next(looking, here, choice))


async def wall(request: Request) -> Response:
    """All crops of one letter and one doubt, or of the letters that hang together."""
    desk, looking = desk_of(request), named(request)
    kind, name = request.path_params["kind"], request.path_params["letter"]
    hung = walls(desk.store.groups(looking.reader))
    here = next(
        (each for each in hung if each.href == f"/wall/{quote(kind, safe='')}/{name}"), None
    )
    if here is None:
        # A letter that hangs with others has a wall of its own too, for who asks by its address.
        here = Wall(kind, (letter_of(name),), 0, 0)
    cells = [
        cell for form in here.letters for cell in desk.store.wall(looking.reader, form, kind)
    ]  # fmt: skip
    if not cells:
        raise Sentence("There is no such wall in this review.", 404)
    if len(here.letters) > 1:
        # By lot, as on a wall of one letter: the letters' order must not tell the audit's apart.
        cells.sort(key=lambda cell: lot("wall", looking.reader, cell.id))
    desk.crops.want(cells, "wall")
    form = here.letters[0] if len(here.letters) == 1 else ""
    following = _following(hung, here)
    return page(
        request, "wall.html", kind=kind, letter=form, letter_name=_named(here), cells=cells,
        in_name={cell.id for cell in cells if in_name(cell, desk.run)},
        wide={cell.id for cell in cells if is_wide(cell)},
        open=sum(cell.decision is None for cell in cells), question=question(kind, form),
        one=f"/one{Chosen(kind, None if len(here.letters) > 1 else form).query}",
        following=following,
    )  # fmt: skip


def _following(hung: Sequence[Wall], here: Wall) -> str:
    """The address of the next wall with open items, from the first again; "" if there is none."""
    at = next((k for k, wall in enumerate(hung) if wall.href == here.href), 0)
    others = (*hung[at + 1 :], *hung[:at])
    return next((wall.href for wall in others if wall.open), "")


async def picture(request: Request) -> Response:
    """One picture of a letter; the address holds an item's number and a name, never a path."""
    desk, looking = desk_of(request), window(request)
    cut = request.path_params["cut"]
    if cut not in FORMS:
        raise Sentence("There is no such picture.", 404)
    item = desk.item(looking, number(request.path_params["number"]))
    data = await run_in_threadpool(desk.crops.get, item, cut)
    if data is None:
        raise Sentence("The picture's file has moved or changed since the inspection.", 404)
    return Response(data, media_type="image/jpeg")

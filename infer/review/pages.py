"""The pages that a reader looks at: the beginning, one by one, the wall, two readers, pictures."""

from __future__ import annotations

from itertools import groupby
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from crownlet.datasets.alphabet import BY_CHAR, LETTERS
from crownlet.datasets.catalogue import CATALOGUE
from crownlet.infer.cautions import NAME_CAUTION, RULING, UNFAMILIAR
from crownlet.infer.review.asking import Chosen, Sentence, Window, chosen, letter_of, number, window
from crownlet.infer.review.desk import Desk
from crownlet.infer.review.entries import Item
from crownlet.infer.review.forms import FORMS
from crownlet.infer.review.questions import question
from crownlet.infer.review.rendering import render

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
    if reader:
        desk.warm(reader)
    return page(
        request, "start.html",
        pages=len(desk.run.pages), scrolls=len(desk.run.scrolls),
        readers=[entry.name for entry in desk.store.readers()],
        progress=desk.store.progress(reader) if reader else None,
        doubts=_doubts(desk, reader) if reader else [],
        message=request.app.state.message.pop(reader, ""), cautions=CAUTIONS,
    )  # fmt: skip


def _doubts(desk: Desk, reader: str) -> list[dict[str, Any]]:
    """Groups by doubt in the order of the catalogue, letters by the alphabet."""
    order = list(CATALOGUE)
    groups = sorted(
        desk.store.groups(reader),
        key=lambda g: (
            order.index(g.kind) if g.kind in CATALOGUE else len(order),
            g.kind,
            LETTERS.find(g.letter or " "),
        ),
    )
    return [
        {
            "kind": kind,
            "words": CATALOGUE[kind].description if kind in CATALOGUE else UNFAMILIAR,
            "groups": [
                {
                    "letter": g.letter, "name": _name(g.letter), "open": g.open, "done": g.done,
                    "href": Chosen(g.kind, g.letter).wall,
                }
                for g in members
            ],
        }
        for kind, members in groupby(groups, key=lambda g: g.kind)
    ]  # fmt: skip


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
    """All crops of one letter and one doubt."""
    desk, looking = desk_of(request), named(request)
    kind, form = request.path_params["kind"], letter_of(request.path_params["letter"])
    cells = desk.store.wall(looking.reader, form, kind)
    if not cells:
        raise Sentence("There is no such wall in this review.", 404)
    desk.crops.want(cells, "wall")
    return page(
        request, "wall.html", kind=kind, letter=form, letter_name=_name(form), cells=cells,
        open=sum(cell.decision is None for cell in cells), question=question(kind, form),
        one=f"/one{Chosen(kind, form).query}", following=_following(desk, looking, kind, form),
    )  # fmt: skip


def _following(desk: Desk, looking: Window, kind: str, form: str) -> str:
    """The address of the next wall with open items, from the first again; "" if there is none."""
    groups = desk.store.groups(looking.reader)
    here = next((k for k, g in enumerate(groups) if (g.kind, g.letter) == (kind, form)), 0)
    others = (*groups[here + 1 :], *groups[:here])
    return next((Chosen(g.kind, g.letter).wall for g in others if g.open), "")


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

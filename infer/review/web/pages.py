"""Handlers of the pages: start, one item, wall, differences of two readers; and of the crops."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Any, NamedTuple
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from crownlet.datasets.scribal.alphabet import BY_CHAR, LETTERS
from crownlet.infer.review.agreement import measure_agreement_by_kind
from crownlet.infer.review.item_crops import CROP_FORMATS, is_in_name, is_wide
from crownlet.infer.review.letter_audit import (
    LetterAudit,
    audit_scrolls,
    describe_audit,
    drawn_letters,
)
from crownlet.infer.review.miss_rate import describe_misses, estimate_misses_by_kind
from crownlet.infer.review.models import ALL_KINDS, LETTER_KIND, Decision, Item
from crownlet.infer.review.queue import stable_hash
from crownlet.infer.review.web.item_view import asked_words, question_text
from crownlet.infer.review.web.render import render
from crownlet.infer.review.web.requests import (
    BrowserWindow,
    QueueFilter,
    UserFacingError,
    letter_from_slug,
    parse_item_number,
    read_filter,
    read_window,
)
from crownlet.infer.review.web.session import ReviewSession, Wall, build_walls, list_habits
from crownlet.infer.run.survey_state import read_survey
from crownlet.infer.view.language import translate
from crownlet.infer.view.wording import NAME_CAUTION, RULING_TEXT, describe_defect, latin_name

if TYPE_CHECKING:
    from crownlet.infer.review.store import ReviewStore

CAUTIONS = (
    RULING_TEXT,
    NAME_CAUTION,
    "Names of sources and of persons do not belong in public: think before you pass on what you "
    "write out of this review.",
)

CHOOSE_READERS_MESSAGE = "This compares two readers who have both decided; choose them here."


class DifferenceRow(NamedTuple):
    """One place on which two readers differ."""

    item: Item
    question: str
    first: Decision
    second: Decision


class KindAgreement(NamedTuple):
    """How far two readers agree on one doubt."""

    kind: str
    items: int
    agreed: float
    kappa: float | None


def session_of(request: Request) -> ReviewSession:
    """The review that the server holds; UserFacingError where there is none yet."""
    session: ReviewSession | None = request.app.state.open_session()
    if session is None:
        raise UserFacingError("No page has been inspected yet.", 404)
    return session


def render_page(request: Request, template: str, **values: Any) -> HTMLResponse:
    """A whole page, with the values that `base.html` needs on every page."""
    frame = {
        **read_window(request)._asdict(), "back": request.url.path + _query_string(request),
        "home": session_of(request).home,
    }  # fmt: skip
    return HTMLResponse(render(template, {**frame, **values}))


def _query_string(request: Request) -> str:
    return f"?{request.url.query}" if request.url.query else ""


def require_reader(request: Request) -> BrowserWindow:
    """The window of a reader who has given a name; UserFacingError without a name."""
    found = read_window(request)
    if not found.reader:
        raise UserFacingError("Give your name at the beginning first.", 403)
    return found


async def show_start(request: Request) -> Response:
    """The start page: who reads, how far they have come, and the walls."""
    session, reader = session_of(request), read_window(request).reader
    return render_page(
        request, "start.html",
        pages=len(session.run.pages), scrolls=len(session.run.scrolls),
        readers=[entry.name for entry in session.store.readers()],
        progress=session.store.progress(reader) if reader else None,
        doubts=_walls_by_kind(session, reader) if reader else [],
        habits=list_habits(session.store.habit_groups(reader)) if reader else [],
        missed=_miss_sentence(session, reader),
        names=sorted(scroll.name for scroll in session.run.scrolls),
        message=request.app.state.message.pop(reader, ""), cautions=CAUTIONS,
        survey=read_survey(session.run.folder) is not None,
    )  # fmt: skip


def _miss_sentence(session: ReviewSession, reader: str) -> str:
    """The estimate from the letters mixed in, once all is decided: an earlier count would show
    which letters they are."""
    if not reader or session.store.progress(reader).open:
        return ""
    estimate = estimate_misses_by_kind(session.store, reader)[ALL_KINDS]
    sentences = [describe_misses(estimate)] if estimate.asked else []
    if drawn := drawn_letters(session.store):
        audits = audit_scrolls(session.run, drawn)
        sentences.append(describe_audit(sum(audits.values(), LetterAudit()), "run"))
    return " ".join(sentences)


LETTER_WORDS = (
    "Letters drawn at random, to be judged whole: is anything about them other than it should be? "
    "They show how much may have been missed."
)


def _walls_by_kind(session: ReviewSession, reader: str) -> list[dict[str, Any]]:
    """Walls by doubt in the order of the queue, letters by the alphabet, several last."""
    all_walls = build_walls(session.store.groups(reader))
    order = list(dict.fromkeys(wall.kind for wall in all_walls))
    all_walls.sort(
        key=lambda wall: (
            order.index(wall.kind),
            len(wall.letters) > 1,
            LETTERS.find(wall.letters[0] or " "),
        )
    )
    return [
        {
            "kind": kind,
            "words": translate(LETTER_WORDS) if kind == LETTER_KIND else describe_defect(kind),
            "walls": [
                {
                    "letter": "" if len(wall.letters) > 1 else wall.letters[0],
                    "name": _wall_name(wall), "several": len(wall.letters) > 1,
                    "open": wall.open, "done": wall.done, "href": wall.href,
                }
                for wall in members
            ],
        }
        for kind, members in groupby(all_walls, key=lambda wall: wall.kind)
    ]  # fmt: skip


def _wall_name(wall: Wall) -> str:
    return translate("several letters") if len(wall.letters) > 1 else _letter_name(wall.letters[0])


def _letter_name(letter: str) -> str:
    return latin_name(letter) if letter in BY_CHAR else translate("places")


async def show_one(request: Request) -> Response:
    """One item, or the first that is open; as a part of the page where the script asks for that."""
    session, window, item_filter = (
        session_of(request),
        require_reader(request),
        read_filter(request),
    )
    if "number" in request.path_params:
        item: Item | None = session.item(window, parse_item_number(request.path_params["number"]))
    else:
        item = session.next_open(window, None, item_filter)
        if item is not None:
            return RedirectResponse(f"/one/{item.id}{item_filter.query}", 303)
    return show_letter(request, item)


def show_letter(request: Request, item: Item | None) -> Response:
    """An item as a whole page, or as the part that the script puts in."""
    values = session_of(request).letter_values(read_window(request), item, read_filter(request))
    if request.headers.get("x-part") == "letter":
        return JSONResponse({"url": values["url"], "html": render("letter.html", values)})
    return render_page(request, "one.html", **values)


async def show_step(request: Request) -> Response:
    """The next open item after one, or the one before it."""
    session, window, item_filter = (
        session_of(request),
        require_reader(request),
        read_filter(request),
    )
    here = parse_item_number(request.path_params["number"])
    if request.path_params["way"] == "previous":
        return show_letter(request, session.previous(window, here, item_filter))
    return show_letter(request, session.next_open(window, here, item_filter))


async def show_wall(request: Request) -> Response:
    """All crops of one letter and one doubt, or of the letters that share a wall."""
    session, window = session_of(request), require_reader(request)
    kind, name = request.path_params["kind"], request.path_params["letter"]
    all_walls = build_walls(session.store.groups(window.reader))
    here = next(
        (each for each in all_walls if each.href == f"/wall/{quote(kind, safe='')}/{name}"), None
    )
    if here is None:
        # A letter that shares a wall has one of its own too, at its own address.
        here = Wall(kind, (letter_from_slug(name),), 0, 0)
    cells = [
        cell for form in here.letters for cell in session.store.wall(window.reader, form, kind)
    ]  # fmt: skip
    if not cells:
        raise UserFacingError("There is no such wall in this review.", 404)
    if len(here.letters) > 1:
        # At random, as on a wall of one letter: the order of letters must not show the audit's.
        cells.sort(key=lambda cell: stable_hash("wall", window.reader, cell.id))
    session.crops.request(cells, "wall")
    form = here.letters[0] if len(here.letters) == 1 else ""
    following = _next_wall(all_walls, here)
    return render_page(
        request, "wall.html", kind=kind, letter=form, letter_name=_wall_name(here), cells=cells,
        in_name={cell.id for cell in cells if is_in_name(cell, session.run)},
        wide={cell.id for cell in cells if is_wide(cell)},
        words={cell.id: asked_words(cell, session.run.pages[cell.page].record) for cell in cells},
        open=sum(cell.decision is None for cell in cells), question=question_text(kind, form),
        one=f"/one{QueueFilter(kind, None if len(here.letters) > 1 else form).query}",
        following=following,
    )  # fmt: skip


def _next_wall(all_walls: Sequence[Wall], here: Wall) -> str:
    """The address of the next wall with open items, from the first again; "" if there is none."""
    at = next((k for k, wall in enumerate(all_walls) if wall.href == here.href), 0)
    others = (*all_walls[at + 1 :], *all_walls[:at])
    return next((wall.href for wall in others if wall.open), "")


async def send_picture(request: Request) -> Response:
    """One picture of a letter; the address holds an item's number and a name, never a path."""
    session, window = session_of(request), read_window(request)
    kind = request.path_params["kind"]
    if kind not in CROP_FORMATS:
        raise UserFacingError("There is no such picture.", 404)
    item = session.item(window, parse_item_number(request.path_params["number"]))
    data = await run_in_threadpool(session.crops.get, item, kind)
    if data is None:
        raise UserFacingError("The picture's file has moved or changed since the inspection.", 404)
    return Response(data, media_type="image/jpeg")


async def show_differences(request: Request) -> Response:
    """The page of two readers."""
    session, window = session_of(request), require_reader(request)
    readers = [entry.name for entry in session.store.readers()]
    a, b = _compared_readers(request, readers)
    two = a != b and b != ""
    found = session.store.disagreements(a, b) if two else []
    # From here on this reader knows the other's decisions.
    session.disclose(window.reader, (entry.item.id for entry in found))
    rows = [
        DifferenceRow(
            entry.item, question_text(entry.item.kind, entry.item.letter), entry.first, entry.second
        )
        for entry in found
    ]
    session.crops.request([row.item for row in rows], "marked")
    summary, kinds = (
        _summarise_agreement(session.store, a, b) if two else ([CHOOSE_READERS_MESSAGE], [])
    )
    return render_page(
        request, "differences.html", readers=readers, a=a, b=b, rows=rows, summary=summary,
        kinds=kinds,
    )  # fmt: skip


def _compared_readers(request: Request, readers: list[str]) -> tuple[str, str]:
    """The readers asked for; else the first two who have decided anything."""
    asked = [request.query_params.get(name, "") for name in ("a", "b")]
    if all(name in readers for name in asked):
        return asked[0], asked[1]
    both = [*readers, "", ""]
    return both[0], both[1]


def _summarise_agreement(
    store: ReviewStore, a: str, b: str
) -> tuple[list[str], list[KindAgreement]]:
    """How far two readers agree, in words, and by doubt."""
    found = measure_agreement_by_kind(store, a, b)
    whole = found.pop(ALL_KINDS, None)
    if whole is None or whole.agreed is None:
        return [translate("No place has been decided by both yet.")], []
    same = round(whole.agreed * whole.items)
    lines = [
        translate(
            "Both decided {items} places and said the same of {same} ({share}).",
            items=whole.items, same=same, share=f"{whole.agreed:.0%}",
        )
    ]  # fmt: skip
    if whole.kappa is None:
        lines.append(
            translate("Both always gave one answer, so agreement beyond chance cannot be measured.")
        )
    else:
        lines.append(
            translate(
                "Cohen's kappa is {kappa}: 1 is full agreement, 0 no more than chance gives.",
                kappa=f"{whole.kappa:.2f}",
            )
        )
    return lines, [
        KindAgreement(kind, each.items, each.agreed, each.kappa)
        for kind, each in found.items()
        if each.agreed is not None
    ]

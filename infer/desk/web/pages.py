"""Handlers of the desk's pages: the stack, its parts, small pictures, sheets."""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Mapping
from typing import TYPE_CHECKING

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, Response

from crownlet.infer.desk.web.render import render
from crownlet.infer.desk.web.views import page_values, pictures_html, progress_html
from crownlet.infer.review.web import pages as review_pages
from crownlet.infer.review.web.requests import UserFacingError
from crownlet.infer.sheet.beside import BESIDE_FILE, BesideError, read_pair, render_beside
from crownlet.infer.sheet.decisions import Decisions, read_decisions
from crownlet.infer.sheet.lists import (
    AUTHORITY_FILE,
    OWNERS_FOLDER,
    PARCHMENT_FILE,
    render_authority_list,
    render_owner_page,
    render_parchment_list,
)
from crownlet.infer.sheet.make import (
    LIST_FILES,
    make_row,
    quote_addresses,
    render_index,
    render_sheet,
)
from crownlet.infer.sheet.posters import PosterChoice, render_poster
from crownlet.infer.sheet.render import choose_file_names
from crownlet.infer.sheet.scroll_sheet import POSTERS_FOLDER
from crownlet.infer.sheet.teaching_sheet import render_teaching_sheet

if TYPE_CHECKING:
    from crownlet.infer.desk.desk import Desk
    from crownlet.infer.desk.web.views import ResultRows
    from crownlet.infer.run.run import Run

SHEET_POLICY = (
    "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; "
    "frame-ancestors 'none'"
)
"""Content policy of a sheet: it holds its own style and pictures, and no script."""

NO_SHEET = "There is no such sheet."

NO_PAGE_YET = "No page has been inspected yet."


def desk_of(request: Request) -> Desk:
    """The desk that the server holds."""
    desk: Desk = request.app.state.desk
    return desk


def results_of(request: Request) -> ResultRows:
    """The scrolls at a glance."""
    results: ResultRows = request.app.state.results
    return results


async def show_desk(request: Request) -> Response:
    """The page of the stack."""
    values = await run_in_threadpool(page_values, desk_of(request), results_of(request))
    return HTMLResponse(render("desk.html", values))


async def send_parts(request: Request) -> Response:
    """The parts of the page that differ from those that the window shows, by their digests."""
    desk, results = desk_of(request), results_of(request)
    parts = await run_in_threadpool(
        lambda: {"pictures": pictures_html(desk), "progress": progress_html(desk, results)}
    )
    answer: dict[str, object] = {"busy": bool(desk.looking or desk.inspection.running)}
    for name, html in parts.items():
        digest = hashlib.sha256(html.encode()).hexdigest()[:16]
        if request.query_params.get(name) != digest:
            answer[name] = {"digest": digest, "html": html}
    return JSONResponse(answer)


async def send_small(request: Request) -> Response:
    """The small picture of one file of the stack; the address holds a key, never a path."""
    desk = desk_of(request)
    picture = desk.stack.pictures.get(request.query_params.get("key", ""))
    path = desk.small_picture(picture) if picture else None
    if path is None:
        raise UserFacingError("There is no such picture.", 404)
    return FileResponse(path, media_type="image/jpeg")


async def show_review(request: Request) -> Response:
    """The start page of the review, with the pages inspected meanwhile."""
    session = await run_in_threadpool(desk_of(request).session, True)
    if session is None:
        raise UserFacingError(NO_PAGE_YET, 404)
    return await review_pages.show_start(request)


async def show_sheet(request: Request) -> Response:
    """The index, the teaching sheet, a list, or a page of one scroll, as things stand now."""
    desk, file = desk_of(request), request.path_params["file"]
    folder, query = request.path_params.get("folder", ""), dict(request.query_params)
    run = await run_in_threadpool(desk.open_run)
    if run is None:
        raise UserFacingError(NO_PAGE_YET, 404)
    async with request.app.state.sheet_lock:
        html = await run_in_threadpool(_sheet_html, run, folder, file, query)
    return HTMLResponse(html, headers={"content-security-policy": SHEET_POLICY})


def _sheet_html(run: Run, folder: str, file: str, query: Mapping[str, str]) -> str:
    files = choose_file_names(scroll.name for scroll in run.scrolls)
    decisions = read_decisions(run)
    scroll = next((each for each in run.scrolls if files[each.name] == file), None)
    if folder == POSTERS_FOLDER:
        return _poster_html(run, file, query, decisions)
    if folder:
        if scroll is None or folder != OWNERS_FOLDER:
            raise UserFacingError(NO_SHEET, 404)
        return render_owner_page(run, scroll, decisions)
    if file == "index.html":
        links = quote_addresses(files)
        return render_index(
            (make_row(run, scroll, links[scroll.name], decisions) for scroll in run.scrolls), True,
            LIST_FILES if decisions else (),
        )  # fmt: skip
    if file == BESIDE_FILE:
        try:
            return render_beside(run, *read_pair(run, query), chosen=True)
        except BesideError as error:
            raise UserFacingError(str(error), 404) from None
    if file == AUTHORITY_FILE:
        return render_authority_list(run, decisions)
    if file == PARCHMENT_FILE:
        return render_parchment_list(run, decisions)
    if file == "teaching.html":
        return render_teaching_sheet(run, run.scrolls, decisions=decisions)
    if scroll is None:
        raise UserFacingError(NO_SHEET, 404)
    return render_sheet(run, scroll, decisions=decisions)


def _poster_html(run: Run, file: str, query: Mapping[str, str], decisions: Decisions) -> str:
    """A poster, by the file of its scroll and its number."""
    files = choose_file_names(scroll.name for scroll in run.scrolls)
    stem, _, number = file.removesuffix(".html").rpartition("-")
    scroll = next((each for each in run.scrolls if files[each.name] == f"{stem}.html"), None)
    known = scroll is not None and number.isascii() and number.isdigit() and len(number) < 3
    choice = PosterChoice.from_query(query)
    poster = (
        render_poster(run, scroll, int(number), choice, decisions=decisions)
        if scroll and known
        else None
    )
    if poster is None:
        raise UserFacingError("There is no such poster.", 404)
    return poster


def make_sheet_lock() -> asyncio.Lock:
    """One sheet at a time: each may hold a page of hundreds of megapixels."""
    return asyncio.Lock()

"""Requests that change the stack: pictures that come, names, choices, begin and stop."""

from __future__ import annotations

from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response

from crownlet.datasets.files.atomic import atomic_write
from crownlet.datasets.files.documents import parse_json
from crownlet.datasets.files.images import PDF_SUFFIX, PICTURE_SUFFIXES
from crownlet.infer.batch.inputs import cause_unread
from crownlet.infer.desk.stack import Choices, StackError
from crownlet.infer.desk.web.pages import desk_of
from crownlet.infer.review.web.requests import UserFacingError
from crownlet.infer.view.language import translate
from crownlet.infer.view.sentences import localize

MAX_PICTURE_BYTES = 2_000_000_000
"""Bytes of one file; a column of a Torah scroll at 1200 dpi has 300 MB as TIFF."""

PICTURES_PATH = "/pictures"
"""The address whose bodies are written to disk as they come."""

TOO_LARGE = "larger than {} GB"


async def add_picture(request: Request) -> Response:
    """Write one file into the stack; the answer follows when it is on disk, or says why not.

    The body is the file itself; a file whose name is that of no picture may come without it.
    """
    stack, name = desk_of(request).stack, request.query_params.get("name", "")
    path = stack.new_path(name)
    if path.suffix.lower() not in (*PICTURE_SUFFIXES, PDF_SUFFIX):
        stack.release_path(path)
        return JSONResponse({"name": name, "unread": localize(cause_unread(path))})
    size = 0
    try:
        with atomic_write(path) as draft, draft.open("wb") as file:
            async for chunk in request.stream():
                size += len(chunk)
                if size > MAX_PICTURE_BYTES:
                    raise StackError(path, TOO_LARGE.format(MAX_PICTURE_BYTES // 1_000_000_000))
                file.write(chunk)
            file.flush()
            if not size:
                raise StackError(path, "empty")
    except StackError as error:
        return JSONResponse({"name": name, "unread": localize(error.reason)})
    except ClientDisconnect:
        raise UserFacingError("The picture did not arrive whole.") from None
    except OSError as error:
        reason = error.strerror or str(error)
        message = translate("The picture cannot be written ({why}).", why=reason)
        raise UserFacingError(message, 500) from None
    finally:
        stack.release_path(path)
    return JSONResponse({"name": name, "kept_as": path.name})


async def refresh(request: Request) -> Response:
    """Look through the folder again."""
    await run_in_threadpool(desk_of(request).refresh)
    return JSONResponse({"message": translate("The folder was looked through again.")})


async def name_picture(request: Request) -> Response:
    """Keep scroll and side of a picture, or that it is left out."""
    sent = await _read_json(request)
    values = [sent.get(name) for name in ("key", "scroll", "side")]
    key, scroll, side = (value if isinstance(value, str) else "" for value in values)
    try:
        await run_in_threadpool(
            desk_of(request).name_picture, key, scroll, side, sent.get("left_out") is True
        )
    except KeyError:
        raise UserFacingError("There is no such picture in the stack.", 404) from None
    except (ValueError, OSError) as error:
        raise UserFacingError(str(error)) from None
    return JSONResponse({"message": translate("Kept.")})


async def choose(request: Request) -> Response:
    """Keep text and customs."""
    sent = await _read_json(request)
    given = sent.get("settings")
    settings = given if isinstance(given, dict) else {}
    try:
        desk_of(request).choose(
            Choices(
                str(sent.get("portion", "")), str(sent.get("customs", "")),
                {str(key): str(value) for key, value in settings.items() if value},
            )
        )  # fmt: skip
    except (ValueError, OSError) as error:
        message = translate("This cannot be chosen: {why}", why=localize(str(error)))
        raise UserFacingError(message) from None
    return JSONResponse({"message": translate("Kept.")})


async def begin(request: Request) -> Response:
    """Begin the inspection, or go on with it."""
    try:
        count = await run_in_threadpool(desk_of(request).inspect)
    except (ValueError, OSError) as error:
        raise UserFacingError(str(error)) from None
    if not count:
        raise UserFacingError("There is no usable picture in the stack yet.")
    return JSONResponse({"message": translate("Begun.")})


async def stop(request: Request) -> Response:
    """Stop after the pages in work."""
    await run_in_threadpool(desk_of(request).stop)
    return JSONResponse(
        {"message": translate("It stops after the pages in work; finished ones are kept.")}
    )


async def _read_json(request: Request) -> dict[str, Any]:
    try:
        sent = parse_json(await request.body())
    except ValueError:
        sent = None
    if not isinstance(sent, dict):
        raise UserFacingError("This request cannot be read.")
    return sent

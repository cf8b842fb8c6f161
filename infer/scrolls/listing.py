"""RUN/scrolls.json: the scrolls of a run, written whole or not at all."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from crownlet.infer.errors import FileFault
from crownlet.infer.files import replacing, write_json
from crownlet.infer.scrolls.grouping import Place
from crownlet.infer.scrolls.scroll import Scroll

NAME = "scrolls.json"
SCHEMA = 1


def write_scrolls(run: Path, scrolls: Iterable[Scroll], places: Sequence[Place]) -> Path:
    """Write RUN/scrolls.json; OSError if it cannot be written.

    Beside the scrolls stand the sides as they were given, for pages inspected later.
    """
    data = {
        "schema": SCHEMA,
        "scrolls": [dataclasses.asdict(scroll) for scroll in scrolls],
        "given": [dataclasses.asdict(place) for place in places],
    }
    with replacing(run / NAME) as draft:
        write_json(draft, data)
    return run / NAME


def given_places(run: Path) -> dict[str, Place]:
    """Where the pages of a run were said to belong, by page; empty if nothing was.

    FileFault if the list is there and cannot be read.
    """
    path = run / NAME
    if not path.is_file():
        return {}
    try:
        data: dict[str, Any] = json.loads(path.read_bytes())
        return {entry["page"]: Place(**entry) for entry in data["given"]}
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise FileFault(
            path, f"is no list of scrolls; without it names tell ({error!r})."
        ) from None

"""Which pages make up which scroll: by the user's table, else by the names of the pages."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from crownlet.infer.scrolls.scroll import Side
from crownlet.infer.scrolls.table import Row, Table, plain_name

_ENDING = re.compile(r"(?P<scroll>.*[^-_ .])[-_ .]+(?P<side>face|reverse)([-_ .]*\d+)?", re.I)


@dataclass(frozen=True)
class Place:
    """Where a page belongs; `side` is None where nothing says it."""

    page: str
    scroll: str
    side: Side | None
    source: str | None = None


def place_pages(
    pages: Sequence[tuple[str, str]],
    table: Table | None = None,
    earlier: Mapping[str, Place] | None = None,
) -> tuple[Place, ...]:
    """A place for each page, given as its name and the path of its picture.

    The table says it, or else what was said `earlier`, by page, or else the name. TableError where
    a row of the table means several pages, or several rows one page.
    """
    rows = _rows(pages, table) if table else {}
    said = earlier or {}
    return tuple(
        Place(name, rows[name].scroll, rows[name].side, rows[name].source)
        if name in rows
        else said.get(name) or by_name(name, path)
        for name, path in pages
    )


def unlisted(pages: Sequence[tuple[str, str]], table: Table) -> list[str]:
    """Names of the pages that the table does not name; TableError as above."""
    rows = _rows(pages, table)
    return [name for name, _ in pages if name not in rows]


def by_name(name: str, path: str = "") -> Place:
    """The place that a page's name tells: `a1-face` and `a1_reverse` belong to the scroll `a1`."""
    ending = _ENDING.fullmatch(name)
    if ending:
        return Place(name, ending["scroll"], _side(ending["side"]))
    # A page whose name another had taken: its folder tells it from the other.
    file = Path(path)
    ending = _ENDING.fullmatch(file.stem)
    if ending and file.parent.name and name != file.stem:
        return Place(name, f"{file.parent.name}-{ending['scroll']}", _side(ending["side"]))
    return Place(name, name, None)


def _side(word: str) -> Side:
    return "face" if word.casefold() == "face" else "reverse"


def _rows(pages: Sequence[tuple[str, str]], table: Table) -> dict[str, Row]:
    """Rows by the name of the page they mean."""
    found: dict[str, Row] = {}
    called: dict[str, dict[str, str]] = {}
    for name, path in pages:
        file = Path(plain_name(path))
        for call in (plain_name(name), file.name, file.stem):
            called.setdefault(call, {})[name] = path
    for row in table.rows:
        near = called.get(row.scan, {}) | called.get(Path(row.scan).name, {})
        meant = [name for name, path in near.items() if _means(row.scan, name, path)]
        exact = [name for name in meant if plain_name(name) == row.scan]
        if len(meant) > 1 and len(exact) != 1:
            said = f"{row.scan!r} is the name of {len(meant)} pages; write its folder too."
            raise table.fault(row, "scan", said)
        for name in exact if len(meant) > 1 else meant:
            if name in found:
                said = f"the page {name!r} is named on line {found[name].line} already."
                raise table.fault(row, "scan", said)
            found[name] = row
    return found


def _means(scan: str, name: str, path: str) -> bool:
    """Whether a scan of the table is this page: its name, its file, or its file without ending."""
    if plain_name(name) == scan:
        return True
    parts, wanted = Path(plain_name(path)).parts, Path(scan).parts
    if not parts or not wanted or parts[-len(wanted) : -1] != wanted[:-1]:
        return False
    return wanted[-1] in (parts[-1], Path(parts[-1]).stem)

"""The scroll to which each page belongs: by the user's table, else by the names of the pages."""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

from crownlet.datasets.files.errors import FileFault, quoted
from crownlet.infer.scrolls.scroll import SIDES
from crownlet.infer.text.side import Side

MAX_TABLE_BYTES = 4 * 1024 * 1024

SAME_WORD_SIMILARITY = 0.8
"""Of difflib: a column so like a known one is taken for a slip (`scribes`, `custom`)."""


class ScrollTableError(FileFault):
    """A table that cannot be used; the reason names line and column."""


@dataclass(frozen=True)
class TableLine:
    """The cells of one line, stripped; `line` is its number in the file, from 1."""

    line: int
    cells: tuple[str, ...]

    def named(self, columns: Sequence[str]) -> dict[str, str]:
        """Cells by column; ValueError with too few or too many cells."""
        if len(self.cells) != len(columns):
            raise ValueError(f"{len(self.cells)} cells, where {len(columns)} belong.")
        return dict(zip(columns, self.cells, strict=True))


def read_lines(
    path: str | Path, known: Sequence[str] | None, needed: Sequence[str]
) -> tuple[list[str], list[TableLine]]:
    """The columns of a CSV file, UTF-8 with or without a byte order mark, and its non-empty lines.

    Cells are divided by commas, semicolons or tabs. ScrollTableError for what is no such table, for
    a column not `known` (None allows any) or there twice, for an absent `needed` one, and where no
    line follows the header.
    """
    text = _text(Path(path))
    first = text.partition("\n")[0]
    reader = csv.reader(
        io.StringIO(text, newline=""), delimiter=max(",;\t", key=first.count), strict=True
    )
    try:
        columns = _columns(path, next(reader, []), known, needed)
        rows, start = [], reader.line_num + 1
        for cells in reader:
            if any(cell.strip() for cell in cells):
                rows.append(TableLine(start, tuple(normalise_name(cell.strip()) for cell in cells)))
            start = reader.line_num + 1
    except csv.Error as error:
        raise ScrollTableError(path, f"line {reader.line_num}: no table ({error}).") from None
    if not rows:
        raise ScrollTableError(path, "the table has no rows.")
    return columns, rows


def normalise_name(text: str) -> str:
    """A name as it is compared, in Unicode form NFC, whatever the system that wrote it."""
    return unicodedata.normalize("NFC", text)


def _text(path: Path) -> str:
    try:
        if not path.is_file():
            raise ScrollTableError(path, "no such file." if not path.exists() else "is not a file.")
        if path.stat().st_size > MAX_TABLE_BYTES:
            raise ScrollTableError(path, f"is larger than {MAX_TABLE_BYTES // 2**20} MiB.")
        return path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise ScrollTableError(path, f"cannot be read ({error.strerror or error}).") from None
    except UnicodeDecodeError as error:
        raise ScrollTableError(path, f"is not UTF-8 text (byte {error.start}).") from None


def _columns(
    path: str | Path, header: Sequence[str], known: Sequence[str] | None, needed: Sequence[str]
) -> list[str]:
    columns = [cell.strip().casefold() for cell in header]
    for place, name in enumerate(columns, start=1):
        if known is not None and name not in known:
            reason = f"{quoted(name)} is none of {', '.join(known)}."
            raise ScrollTableError(path, f"line 1, column {place}: {reason}")
        if name in columns[: place - 1]:
            raise ScrollTableError(path, f"line 1, column {place}: {quoted(name)} stands twice.")
    for name in needed:
        if name not in columns:
            near = get_close_matches(name, set(columns) - set(needed), 1, SAME_WORD_SIMILARITY)
            meant = f" Is it {quoted(near[0])}?" if near else ""
            raise ScrollTableError(path, f"line 1: the column {name} is absent.{meant}")
    return columns


REQUIRED_COLUMNS = ("scan", "scroll", "side")

TABLE_COLUMNS = (*REQUIRED_COLUMNS, "source")

MAX_NAME_CHARACTERS = 120

_FORBIDDEN_CHARACTERS = '/\\:*?"<>|'
"""Characters not allowed in the name of a scroll: files are named after it."""


@dataclass(frozen=True)
class ScrollRow:
    """One scan; `line` is its line in the file."""

    line: int
    scan: str
    scroll: str
    side: Side
    source: str | None


@dataclass(frozen=True)
class ScrollTable:
    """All rows of a table, in its order."""

    path: str
    rows: tuple[ScrollRow, ...]

    def fault(self, row: ScrollRow, column: str, reason: str) -> ScrollTableError:
        """An error that names a row and a column."""
        return ScrollTableError(self.path, f"line {row.line}, column {column}: {reason}")


def read_scroll_table(path: str | Path) -> ScrollTable:
    """A table from a CSV file, UTF-8, with columns `scan,scroll,side` and optionally `source`.

    Cells are divided by commas, semicolons or tabs. ScrollTableError, in one sentence, for anything
    else.
    """
    columns, lines = read_lines(path, TABLE_COLUMNS, REQUIRED_COLUMNS)
    rows = [_row(path, columns, line) for line in lines]
    table = ScrollTable(str(path), tuple(rows))
    _check_together(table)
    return table


def _row(path: str | Path, columns: list[str], found: TableLine) -> ScrollRow:
    line = found.line
    try:
        values = found.named(columns)
    except ValueError as error:
        raise ScrollTableError(path, f"line {line}: {error}") from None
    for name in REQUIRED_COLUMNS:
        if not values[name]:
            raise ScrollTableError(path, f"line {line}, column {name}: is empty.")
    scroll = values["scroll"]
    if not is_scroll_name(scroll):
        odd = _forbidden_character(scroll)
        why = f"holds {odd!r}" if odd else "begins with a dot" if scroll[0] == "." else "is long"
        raise ScrollTableError(
            path, f"line {line}, column scroll: the name {why}; files are named so."
        )
    side = next((side for side in SIDES if side == values["side"].casefold()), None)
    if side is None:
        reason = f"{quoted(values['side'])} is neither face nor reverse."
        raise ScrollTableError(path, f"line {line}, column side: {reason}")
    return ScrollRow(line, values["scan"], scroll, side, values.get("source") or None)


def is_scroll_name(name: str) -> bool:
    """Whether a scroll may be called so: files are named after it."""
    allowed = _forbidden_character(name) is None and not name.startswith(".")
    return allowed and 0 < len(name) <= MAX_NAME_CHARACTERS


def _forbidden_character(name: str) -> str | None:
    odd = (c for c in name if c in _FORBIDDEN_CHARACTERS or unicodedata.category(c) in ("Cc", "Cs"))
    return next(odd, None)


def _check_together(table: ScrollTable) -> None:
    """Check that no scan occurs twice and each scroll has one source; ScrollTableError if not."""
    scans: dict[str, ScrollRow] = {}
    sources: dict[str, ScrollRow] = {}
    for row in table.rows:
        earlier = scans.setdefault(row.scan, row)
        if earlier is not row:
            reason = f"{quoted(row.scan)} stands on line {earlier.line} already."
            raise table.fault(row, "scan", reason)
        first = sources.setdefault(row.scroll.casefold(), row)
        if first.source != row.source:
            raise table.fault(
                row, "source", f"line {first.line} names another source for this scroll."
            )


_SIDE_ENDING = re.compile(r"(?P<scroll>.*[^-_ .])[-_ .]+(?P<side>face|reverse)([-_ .]*\d+)?", re.I)


@dataclass(frozen=True)
class PagePlace:
    """The scroll and side of a page; `side` is None where it is unknown."""

    page: str
    scroll: str
    side: Side | None
    source: str | None = None


def place_pages(
    pages: Sequence[tuple[str, str]],
    table: ScrollTable | None = None,
    earlier: Mapping[str, PagePlace] | None = None,
    own: Collection[str] = (),
) -> tuple[PagePlace, ...]:
    """A place for each page, given as its name and the path of its picture.

    The table decides, else the place given `earlier`, by page, else the name. Where a row could
    mean several pages it means those of `own`, the pages for which the table was written.
    ScrollTableError where it still means several, or several rows mean one page.
    """
    rows = _rows(pages, table, own) if table else {}
    given = earlier or {}
    return tuple(
        PagePlace(name, rows[name].scroll, rows[name].side, rows[name].source)
        if name in rows
        else given.get(name) or place_by_name(name, path)
        for name, path in pages
    )


def pages_not_in_table(pages: Sequence[tuple[str, str]], table: ScrollTable) -> list[str]:
    """Names of the pages that are not in the table; ScrollTableError as in `place_pages`."""
    rows = _rows(pages, table)
    return [name for name, _ in pages if name not in rows]


def place_by_name(name: str, path: str = "") -> PagePlace:
    """The place by a page's name: `a1-face` and `a1_reverse` belong to the scroll `a1`."""
    ending = _SIDE_ENDING.fullmatch(name)
    if ending:
        return PagePlace(name, ending["scroll"], _side(ending["side"]))
    # A page whose name was taken by another one is distinguished by its folder.
    file = Path(path)
    ending = _SIDE_ENDING.fullmatch(file.stem)
    if ending and file.parent.name and name != file.stem:
        return PagePlace(name, f"{file.parent.name}-{ending['scroll']}", _side(ending["side"]))
    return PagePlace(name, name, None)


def _side(word: str) -> Side:
    return "face" if word.casefold() == "face" else "reverse"


def _rows(
    pages: Sequence[tuple[str, str]], table: ScrollTable, own: Collection[str] = ()
) -> dict[str, ScrollRow]:
    """Rows by the name of their page."""
    found: dict[str, ScrollRow] = {}
    called: dict[str, dict[str, str]] = {}
    for name, path in pages:
        file = Path(normalise_name(path))
        for call in (normalise_name(name), file.name, file.stem):
            called.setdefault(call, {})[name] = path
    for row in table.rows:
        near = called.get(row.scan, {}) | called.get(Path(row.scan).name, {})
        meant = [name for name, path in near.items() if _is_page(row.scan, name, path)]
        meant = [name for name in meant if name in own] or meant
        exact = [name for name in meant if normalise_name(name) == row.scan]
        if len(meant) > 1 and len(exact) != 1:
            reason = f"{quoted(row.scan)} is the name of {len(meant)} pages; write its folder too."
            raise table.fault(row, "scan", reason)
        for name in exact if len(meant) > 1 else meant:
            if name in found:
                reason = f"the page {quoted(name)} is named on line {found[name].line} already."
                raise table.fault(row, "scan", reason)
            found[name] = row
    return found


def _is_page(scan: str, name: str, path: str) -> bool:
    """Whether a scan of the table is this page: its name, its file, or its file without ending."""
    if normalise_name(name) == scan:
        return True
    parts, scan_parts = Path(normalise_name(path)).parts, Path(scan).parts
    if not parts or not scan_parts or parts[-len(scan_parts) : -1] != scan_parts[:-1]:
        return False
    return scan_parts[-1] in (parts[-1], Path(parts[-1]).stem)

"""Codes in place of names: sources A, B, C, scrolls S001, pages S001-face; the key lies apart.

Readers of the letters see the codes at most. The order is a random draw by the seed, so that it
shows nothing of the sources; what has a code keeps it when the survey grows.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import count
from pathlib import Path

from crownlet.datasets.files.atomic import atomic_write, quote_formula, unquote_formula, write_csv
from crownlet.infer.review.queue import stable_hash
from crownlet.infer.run.tables import RunError, read_table
from crownlet.infer.survey.manifest import Manifest, ManifestRow

KEY_FILE = "sources.csv"

KEY_COLUMNS = ("page", "code", "coded_scroll", "source", "scroll", "side", "scan", "sha256", "line")


@dataclass(frozen=True)
class PageKey:
    """One page: its codes, and what they stand for."""

    page: str
    code: str
    coded_scroll: str
    source: str
    scroll: str
    side: str
    scan: str
    sha256: str
    """Of the picture."""
    line: int
    """Line of the manifest."""


def assign_codes(
    manifest: Manifest, seed: int, earlier: Iterable[PageKey] = ()
) -> tuple[PageKey, ...]:
    """A key for each row of the manifest, in its order; codes given `earlier` stay."""
    known = tuple(earlier)
    sources = _draw_codes(
        {row.source.casefold() for row in manifest.rows},
        {key.source.casefold(): key.code for key in known}, _source_codes(), (seed, "source"),
    )  # fmt: skip
    scrolls = _draw_codes(
        {row.scroll.casefold() for row in manifest.rows},
        {key.scroll.casefold(): key.coded_scroll for key in known},
        (f"S{number:03d}" for number in count(1)), (seed, "scroll"),
    )  # fmt: skip
    pages_of: dict[tuple[str, str], int] = {}
    return tuple(
        _page_key(row, sources[row.source.casefold()], scrolls[row.scroll.casefold()], pages_of)
        for row in manifest.rows
    )


def _page_key(
    row: ManifestRow, code: str, scroll: str, pages_of: dict[tuple[str, str], int]
) -> PageKey:
    """The key of a row; counts it in `pages_of`, pages of each scroll and side so far."""
    number = pages_of[scroll, row.side] = pages_of.get((scroll, row.side), 0) + 1
    page = f"{scroll}-{row.side}" + (f"-{number}" if number > 1 else "")
    return PageKey(
        page, code, scroll, row.source, row.scroll, row.side, str(row.scan), row.sha256, row.line
    )


def _draw_codes(
    names: set[str], known: Mapping[str, str], free: Iterator[str], seed: tuple[object, ...]
) -> dict[str, str]:
    """A code for each name: the one it has, else the next free one, in random order."""
    codes = {name: known[name] for name in names if name in known}
    taken = set(known.values())
    for name in sorted(names - codes.keys(), key=lambda name: stable_hash(*seed, name)):
        codes[name] = next(code for code in free if code not in taken)
    return codes


def _source_codes() -> Iterator[str]:
    """A to Z, then AA, AB and on."""
    for number in count():
        text, remaining = "", number + 1
        while remaining:
            remaining, digit = divmod(remaining - 1, 26)
            text = chr(ord("A") + digit) + text
        yield text


def write_keys(folder: Path, keys: Iterable[PageKey]) -> None:
    """Write S/sources.csv whole or not at all; OSError if it cannot be written."""
    rows = ([quote_formula(str(getattr(key, name))) for name in KEY_COLUMNS] for key in keys)
    with atomic_write(folder / KEY_FILE) as draft:
        write_csv(draft, KEY_COLUMNS, rows)


def read_keys(folder: Path) -> tuple[PageKey, ...]:
    """The key of a survey; none where it was not begun. RunError if it cannot be read."""
    path = folder / KEY_FILE
    if not path.is_file():
        return ()
    try:
        table = read_table(path)
        columns = [
            *(map(unquote_formula, table.text(name)) for name in KEY_COLUMNS[:-1]),
            table.whole("line"),
        ]
        return tuple(PageKey(*row) for row in zip(*columns, strict=True))
    except (KeyError, ValueError) as error:
        raise RunError(path, f"is no key of a survey ({error}).") from None

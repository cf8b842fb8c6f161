"""Codes in place of names: sources A, B, C, scrolls S001, pages S001-face; the key lies apart.

Scribes are H001 (a hand), workshops W01; one hand has one code, whatever sources it writes for.

Readers of the letters see the codes at most. The order is a random draw by the seed, so that it
shows nothing of the sources; what has a code keeps it when the survey grows.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import Any

from crownlet.datasets.files.atomic import atomic_write, quote_formula, unquote_formula, write_csv
from crownlet.infer.review.queue import stable_hash
from crownlet.infer.run.tables import RunError, read_table
from crownlet.infer.survey.manifest import Manifest, ManifestRow

KEY_FILE = "sources.csv"

KEY_COLUMNS = ("page", "code", "coded_scroll", "source", "scroll", "side", "scan", "sha256", "line")

LEVEL_COLUMNS = ("coded_scribe", "coded_workshop", "scribe", "workshop")
"""Columns that a key of an earlier version lacks; columns after these are covariates."""


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
    coded_scribe: str = ""
    """Empty where the scribe is not known."""
    coded_workshop: str = ""
    scribe: str = ""
    workshop: str = ""
    covariates: tuple[tuple[str, str], ...] = ()
    """Names and values of the manifest's other columns."""


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
    scribes = _draw_codes(
        {row.scribe.casefold() for row in manifest.rows if row.scribe},
        {key.scribe.casefold(): key.coded_scribe for key in known if key.scribe},
        (f"H{number:03d}" for number in count(1)), (seed, "scribe"),
    )  # fmt: skip
    workshops = _draw_codes(
        {row.workshop.casefold() for row in manifest.rows if row.workshop},
        {key.workshop.casefold(): key.coded_workshop for key in known if key.workshop},
        (f"W{number:02d}" for number in count(1)), (seed, "workshop"),
    )  # fmt: skip
    pages_of: dict[tuple[str, str], int] = {}
    return tuple(
        _page_key(
            row, sources[row.source.casefold()], scrolls[row.scroll.casefold()], pages_of,
            (scribes.get(row.scribe.casefold(), ""), workshops.get(row.workshop.casefold(), "")),
        )
        for row in manifest.rows
    )  # fmt: skip


def _page_key(
    row: ManifestRow, code: str, scroll: str, pages_of: dict[tuple[str, str], int],
    coded_levels: tuple[str, str],
) -> PageKey:  # fmt: skip
    """The key of a row; counts it in `pages_of`, pages of each scroll and side so far."""
    number = pages_of[scroll, row.side] = pages_of.get((scroll, row.side), 0) + 1
    page = f"{scroll}-{row.side}" + (f"-{number}" if number > 1 else "")
    return PageKey(
        page, code, scroll, row.source, row.scroll, row.side, str(row.scan), row.sha256, row.line,
        *coded_levels, row.scribe, row.workshop, row.covariates,
    )  # fmt: skip


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
    keys = tuple(keys)
    free = tuple(dict.fromkeys(name for key in keys for name, _ in key.covariates))
    columns = (*KEY_COLUMNS, *LEVEL_COLUMNS)
    rows = (
        [
            quote_formula(str(cell))
            for cell in (
                *(getattr(key, name) for name in columns),
                *(dict(key.covariates).get(name, "") for name in free),
            )
        ]
        for key in keys
    )
    with atomic_write(folder / KEY_FILE) as draft:
        write_csv(draft, (*columns, *free), rows)


def read_keys(folder: Path) -> tuple[PageKey, ...]:
    """The key of a survey; none where it was not begun. RunError if it cannot be read."""
    path = folder / KEY_FILE
    if not path.is_file():
        return ()
    try:
        table = read_table(path)
        columns = {name: [*map(unquote_formula, table.text(name))] for name in table.header}
        free = [name for name in table.header if name not in (*KEY_COLUMNS, *LEVEL_COLUMNS)]
        keys = []
        for k, line in enumerate(table.whole("line")):
            levels = (columns[name][k] if name in columns else "" for name in LEVEL_COLUMNS)
            named = (columns[name][k] for name in KEY_COLUMNS[:-1])
            covariates = tuple((name, columns[name][k]) for name in free)
            cells: tuple[Any, ...] = (*named, line, *levels, covariates)
            keys.append(PageKey(*cells))
        return tuple(keys)
    except (KeyError, ValueError) as error:
        raise RunError(path, f"is no key of a survey ({error}).") from None

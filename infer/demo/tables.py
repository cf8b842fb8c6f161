"""The demo's tables: which scan is which side of which scroll, and counts for a spreadsheet."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from crownlet.infer.demo.scenario import Sheet
from crownlet.infer.files import write_rows

if TYPE_CHECKING:
    from crownlet.infer.demo.run import Result


def write_scroll_table(path: Path, work: Iterable[Sheet]) -> Path:
    """The table that `crownlet inspect --scrolls` takes."""
    rows = [(sheet.name, sheet.scroll_name, sheet.side, sheet.source.name) for sheet in work]
    write_rows(path, ("scan", "scroll", "side", "source"), rows)
    return path


def write_survey(path: Path, results: Iterable[Result]) -> Path:
    """One row a sheet and kind."""
    rows: list[Sequence[object]] = []
    for result in results:
        sheet, letters = result.sheet, len(result.record.glyphs)
        head = (sheet.source.name, sheet.scroll, sheet.side, sheet.name, letters)
        tally = Counter((f.kind, f.route) for f in result.findings)
        rows += [(*head, *key, n) for key, n in sorted(tally.items())] or [(*head, "", "", 0)]
    columns = ("source", "scroll", "side", "page", "letters", "kind", "route", "count")
    write_rows(path, columns, rows)
    return path

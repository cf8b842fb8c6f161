"""The white between two portions, against the layout that the chosen customs name.

The white is measured in widths of this hand's yud, between the letters and the edges which the
column's full lines keep. The fourth portion of tefillin is mostly a page of its own, so there only
the head of its first line is seen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crownlet.datasets.customs import Customs
from crownlet.infer.findings.edges import FULL
from crownlet.infer.findings.finding import Finding
from crownlet.infer.findings.lines import Block, Line
from crownlet.infer.findings.paging import page_finding
from crownlet.infer.findings.text import first_of, text_of
from crownlet.infer.records import PageRecord

NINE = 8.1
"""Nine yuds, less a tenth for what a hand and its measure differ (Keset 15:1)."""
FOURTH = "vehaya_im_shamoa"


@dataclass(frozen=True)
class Break:
    """The white at a new portion, in widths of this hand's yud."""

    line: int
    """Line of the page, from 1, in which the portion begins."""
    end: float | None
    """Left at the end of the line before; None where that line is not in this column."""
    head: float
    """Left before the portion: from the edge, or from the letter before it in the same line."""
    at_head: bool
    """Whether the portion begins its line."""
    letters: float
    """Width of three letters of this hand, in yuds."""


def portion_break(record: PageRecord, columns: tuple[Block, ...], word: int) -> Break | None:
    """The white before the word of the text, from 0, that opens a portion; None if not seen."""
    first = first_of(record, word)
    yud = record.quality.get("yud_q")
    found = [
        (block, k) for block in columns for k, line in enumerate(block.lines)
        if first is not None and line.number == first.line
    ]  # fmt: skip
    if first is None or not yud or not found:
        return None
    block, k = found[0]
    edges = _edges(block, {line.number for line in block.lines[max(0, k - 1) : k + 1]})
    if edges is None:
        return None
    line = block.lines[k]
    unit = yud * line.q
    at = next(i for i, glyph in enumerate(line.glyphs) if glyph.glyph == first.glyph)
    wide = np.concatenate([row.ink[:, 2] - row.ink[:, 0] for row in block.lines])
    three = 3 * float(np.median(wide))
    before = block.lines[k - 1] if k else None
    end = (before.left - edges[0]) / unit if before is not None else None
    if at == 0:
        return Break(line.number, end, (edges[1] - line.right) / unit, True, three / unit)
    white = [gap.width_px for gap in record.gaps if gap.left_glyph == first.glyph]
    return Break(line.number, end, white[0] / unit, False, three / unit) if white else None


def _edges(block: Block, without: set[int]) -> tuple[float, float] | None:
    """Usual left and right edge of a column's full lines, px along the writing."""
    usual = float(np.median([line.width for line in block.lines]))
    full: list[Line] = [
        line for line in block.lines if line.width >= FULL * usual and line.number not in without
    ]
    if len(full) < 2:
        return None
    left, right = ([getattr(line, side) for line in full] for side in ("left", "right"))
    return float(np.median(left)), float(np.median(right))


def mezuzah_layouts(found: Break) -> frozenset[str]:
    """The customs of `mezuzah_break` that a layout follows."""
    end = found.end or 0.0
    ways = {
        "tur": found.at_head and end < found.letters and found.head < found.letters,
        "nine_yuds": found.at_head and found.head >= NINE,
        "open": found.at_head and found.head < found.letters and end >= NINE,
    }
    return frozenset(name for name, there in ways.items() if there)


def tefillin_layouts(found: Break) -> frozenset[str]:
    """The customs of `tefillin_break` that the head of the fourth portion follows."""
    third = found.letters / 3
    ways = {
        "rambam": found.head >= NINE,
        "line_head": found.at_head and found.head < third,
        "divided": found.at_head and third <= found.head < NINE,
    }
    return frozenset(name for name, there in ways.items() if there)


def break_findings(
    record: PageRecord, columns: tuple[Block, ...], customs: Customs
) -> list[Finding]:
    """A finding where the layout is another than the one the customs name."""
    text = text_of(record)
    if text is None:
        return []
    wanted: str
    if text.name == "mezuzah" and customs.mezuzah_break != "unspecified":
        (word,) = text.opens
        wanted, ways = customs.mezuzah_break, mezuzah_layouts
    elif text.name == FOURTH and customs.tefillin_break != "unspecified":
        word, wanted, ways = 0, customs.tefillin_break, tefillin_layouts
    else:
        return []
    found = portion_break(record, columns, word)
    if found is None or wanted in ways(found):
        return []
    glyphs = tuple(glyph for glyph in record.glyphs if glyph.line == found.line)
    return [page_finding("portion_break", glyphs, _says(found, wanted), customs)]


def _says(found: Break, wanted: str) -> str:
    where = "at the head of" if found.at_head else "within"
    says = f"Before the portion {found.head:.1f} widths of this hand's yud are left {where} "
    says += f"line {found.line}"
    if found.end is not None:
        says += f" and {max(0.0, found.end):.1f} at the end of the line above"
    return f"{says}; the custom chosen is {wanted.replace('_', ' ')}."

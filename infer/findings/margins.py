"""The edges of a column: uneven, overrun by a line, or drawing the block narrower or wider.

Measured on the letters, since margins are scored without ink and do not show. Each line is measured
in its own kulmus, so that a camera held aslant, which shrinks lines and letters together, bends the
edges less; where the letters themselves change size down the page nothing is said of the shape.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from crownlet.datasets.customs import Customs
from crownlet.infer.findings.finding import Finding
from crownlet.infer.findings.lines import Block, Line
from crownlet.infer.findings.paging import counted, letters_of, page_finding
from crownlet.infer.records import Floats, ImageFacts

Side = Literal["left", "right"]
SIDES: tuple[Side, Side] = ("right", "left")
FRAME = 1.5
"""With less white than this, in q, to the frame, letters may be cut off, and no end shows."""

LEAST_LINES = 6
"""With fewer full lines an edge says nothing."""
FULL = 0.75
"""A full line is at least this share of its column's usual width; shorter ones end or begin a
portion, or are cut by the frame."""
UNEVEN: dict[Side, float] = {"left": 5.0, "right": 1.5}
"""Spread of an edge in q (10th to 90th percentile) from which it is called uneven. The right edge
is where a line begins; at the left a line ends, and scribes' lines differ there by a letter."""
OVER, FEW = 4.0, 3
"""A line over the margin passes the usual edge by this many q; more than a few are an uneven
edge."""
DRIFT, EXPLAINED = 3.0, 0.7
"""An edge that moves by this many q, and so much of whose variance is one line or one bow."""
SAME_SIZE = 0.04
"""Letters that change size by more than this share from top to bottom were seen aslant."""
ASLANT = (
    "whether the block of writing narrows or widens: the letters change size from top to bottom, "
    "as in a picture taken aslant"
)


@dataclass(frozen=True)
class Edge:
    """One side of a column: how far each full line reaches out, in q, from a common upright."""

    side: Side
    lines: tuple[Line, ...]
    out: Floats
    """(N,), larger is further out."""

    @property
    def at(self) -> Floats:
        """(N,) number of each line, as a place down the page."""
        return np.array([float(line.number) for line in self.lines])

    @property
    def slope(self) -> float:
        """q by which the edge moves out from line to line."""
        return float(np.polyfit(self.at, self.out, 1)[0]) if len(self.lines) > 2 else 0.0

    @property
    def spread(self) -> float:
        """q between the 10th and the 90th percentile, about the edge's own straight way."""
        way = np.polyval(np.polyfit(self.at, self.out, 1), self.at)
        low, high = np.percentile(self.out - way, [10, 90])
        return float(high - low)


def edge_findings(
    block: Block, facts: ImageFacts, customs: Customs, breaks: frozenset[int]
) -> list[Finding]:
    """Findings on both edges of a column; `breaks` are lines at which a portion ends or begins."""
    found: list[Finding] = []
    aslant = seen_aslant(block)
    for edge in edges_of(block, facts, breaks):
        if len(edge.lines) < LEAST_LINES:
            continue
        whole = (None if aslant else _shape(edge, customs)) or _uneven(edge, customs)
        found += [whole] if whole is not None else _over(edge, customs)
    return found


def edges_of(block: Block, facts: ImageFacts, breaks: frozenset[int]) -> tuple[Edge, Edge]:
    """Right and left edge, without what both lean in common: a page that hangs askew."""
    right, left = (_edge(block, facts, side, breaks) for side in SIDES)
    lean = 0.0
    if right.slope * left.slope < 0:
        lean = float(np.sign(right.slope)) * min(abs(right.slope), abs(left.slope))
    return (
        replace(right, out=right.out - lean * right.at),
        replace(left, out=left.out + lean * left.at),
    )


def _edge(block: Block, facts: ImageFacts, side: Side, breaks: frozenset[int]) -> Edge:
    """One edge by its full lines; a column's last line may end where it will."""
    usual = float(np.median([line.width for line in block.lines]))
    last = block.lines[-1].number
    lines = tuple(
        line for line in block.lines
        if line.width >= FULL * usual and line.number not in breaks and line.number != last
        and room(line, side, facts) > FRAME * line.q
    )  # fmt: skip
    middle = float(np.mean([(line.left + line.right) / 2 for line in block.lines]))
    out = [
        (line.right - middle if side == "right" else middle - line.left) / line.q for line in lines
    ]
    return Edge(side, lines, np.array(out))


def room(line: Line, side: Side, facts: ImageFacts) -> float:
    """px between a line's end and the frame of the picture, along the writing."""
    end = int(np.argmax(line.u) if side == "right" else np.argmin(line.u))
    x0, y0, x1, y1 = line.glyphs[end].box
    if line.across:
        return min(y0, facts.height - y1)
    return min(x0, facts.width - x1)


def seen_aslant(block: Block) -> bool:
    """Whether the letters grow or shrink down the column, so that its shape cannot be told."""
    size = np.array([line.q for line in block.lines])
    if len(size) < LEAST_LINES:
        return False
    slope = np.polyfit(np.arange(len(size)), size, 1)[0]
    return bool(abs(slope) * len(size) > SAME_SIZE * np.median(size))


def _shape(edge: Edge, customs: Customs) -> Finding | None:
    """A tent or a tail (a straight way in or out) or a circle (a bow)."""
    at = edge.at
    for degree, words in ((1, "{} line by line"), (2, "in a bow, {} in the middle")):
        way = np.polyval(np.polyfit(at, edge.out, degree), at)
        left_over = float(np.var(edge.out - way)) / max(float(np.var(edge.out)), 1e-9)
        drift = float(np.ptp(way))
        if drift < DRIFT or 1 - left_over < EXPLAINED:
            continue
        outward = way[-1] > way[0] if degree == 1 else way[len(way) // 2] > way[0]
        how = words.format("outward" if outward else "inward")
        says = f"The {edge.side} edge of the column moves {how}, by {drift:.1f} kulmus in all."
        return page_finding("block_narrowing", letters_of(edge.lines), says, customs)
    return None


def _uneven(edge: Edge, customs: Customs) -> Finding | None:
    if edge.spread < UNEVEN[edge.side]:
        return None
    verb = "begin" if edge.side == "right" else "end"
    says = f"The lines of the column {verb} unevenly: their {edge.side} edges differ by "
    says += f"{edge.spread:.1f} kulmus."
    return page_finding("margin_uneven", letters_of(edge.lines), says, customs)


def _over(edge: Edge, customs: Customs) -> list[Finding]:
    """Lines of an otherwise even edge that pass it; too many of them are no exception."""
    past = edge.out - float(np.median(edge.out))
    over = [k for k in range(len(past)) if past[k] >= OVER]
    if not over or len(over) > FEW:
        return []
    return [
        page_finding(
            "line_over_margin", edge.lines[k].glyphs,
            f"{counted([edge.lines[k].number]).capitalize()} runs {past[k]:.1f} kulmus past the "
            f"{edge.side} edge of the others.", customs,
        )
        for k in over
    ]  # fmt: skip

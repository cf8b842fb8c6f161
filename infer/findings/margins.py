"""The edges of a column: uneven, overrun by a line, or drawing the block narrower or wider.

Unevenness is about the straight way that an edge takes. Whether that way is the block's own or that
of a camera held aslant the edges alone cannot tell: where the letters, too, change size down the
page nothing is said of the shape. What both edges lean alike is the page's and not the block's.
"""

from __future__ import annotations

import numpy as np

from crownlet.datasets.customs import Customs
from crownlet.infer.findings.edges import Edge, Side, edges_of
from crownlet.infer.findings.finding import Finding
from crownlet.infer.findings.lines import Block
from crownlet.infer.findings.paging import counted, letters_of, page_finding
from crownlet.infer.records import Floats, ImageFacts

LEAST_LINES = 6
"""With fewer full lines an edge says nothing."""
UNEVEN: dict[Side, float] = {"left": 5.0, "right": 1.5}
"""Spread of an edge in q, without its tenths, from which it is called uneven. At the right a line
begins; at the left it ends, and scribes' lines differ there by a letter."""
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


def seen_aslant(block: Block) -> bool:
    """Whether the letters grow or shrink down the column, so that its shape cannot be told."""
    size = np.array([line.q for line in block.lines])
    if len(size) < LEAST_LINES:
        return False
    slope = np.polyfit(np.arange(len(size)), size, 1)[0]
    return bool(abs(slope) * len(size) > SAME_SIZE * np.median(size))


def _shape(edge: Edge, customs: Customs) -> Finding | None:
    """A tent or a tail (a straight way in or out) or a circle (a bow)."""
    for degree, words in ((1, "{} line by line"), (2, "in a bow, {} in the middle")):
        # One indented line at an end is no shape: it stays without the first and the last, too.
        parts = [_way(edge.at[cut], edge.out[cut], degree) for cut in _CUTS]
        if not all(parts):
            continue
        way = np.polyval(np.polyfit(edge.at, edge.out, degree), edge.at)
        outward = way[-1] > way[0] if degree == 1 else way[len(way) // 2] > way[0]
        how = words.format("outward" if outward else "inward")
        says = (
            f"The {edge.side} edge of the column moves {how}, by {np.ptp(way):.1f} kulmus in all."
        )
        return page_finding("block_narrowing", letters_of(edge.lines), says, customs)
    return None


_CUTS = (slice(None), slice(1, None), slice(None, -1))


def _way(at: Floats, out: Floats, degree: int) -> bool:
    """Whether an edge goes far, and nearly all of its unevenness is that way."""
    way = np.polyval(np.polyfit(at, out, degree), at)
    left_over = float(np.var(out - way)) / max(float(np.var(out)), 1e-9)
    return float(np.ptp(way)) >= DRIFT and 1 - left_over >= EXPLAINED


def _uneven(edge: Edge, customs: Customs) -> Finding | None:
    if edge.spread < UNEVEN[edge.side]:
        return None
    verb = "begin" if edge.side == "right" else "end"
    says = f"The lines of the column {verb} unevenly: their {edge.side} edges differ by "
    says += f"{edge.spread:.1f} kulmus."
    return page_finding("margin_uneven", letters_of(edge.lines), says, customs)


def _over(edge: Edge, customs: Customs) -> list[Finding]:
    """Lines of an otherwise even edge that pass it; too many of them are no exception."""
    past = edge.past
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

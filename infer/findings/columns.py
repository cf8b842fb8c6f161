"""The lines and columns of a page and the edges of the columns, in q, along and across the writing.

u runs along the writing to the right, v across it downward, both on the page set upright and
straight; a page may hold several columns.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from crownlet.datasets.files.images import ImageFacts
from crownlet.infer.limits import limits_of
from crownlet.infer.records import Floats, GlyphRecord, PageRecord

_LIMITS = limits_of("findings.columns")


@dataclass(frozen=True)
class Line:
    """One written line."""

    number: int
    """Line of the page, from 1."""
    glyphs: tuple[GlyphRecord, ...]
    u: Floats
    """(N,) middle of each body, px."""
    v: Floats
    """(N,) half a body below the ruled line, px."""
    ink: Floats
    """(N, 4) left, top, right and bottom of each letter's ink in u and v, px."""
    q: float
    """Kulmus of the line in px: median of its letters."""
    across: bool
    """Whether the line runs down or up the picture, the page being turned by a quarter."""

    @property
    def left(self) -> float:
        """Leftmost ink, px along the writing."""
        return float(self.ink[:, 0].min())

    @property
    def right(self) -> float:
        """Rightmost ink, px along the writing."""
        return float(self.ink[:, 2].max())

    @property
    def width(self) -> float:
        """px from the leftmost to the rightmost ink."""
        return self.right - self.left

    @property
    def numbers(self) -> tuple[int, ...]:
        """The numbers of its letters."""
        return tuple(glyph.glyph for glyph in self.glyphs)


@dataclass(frozen=True)
class Column:
    """The lines of one column from the top, and its kulmus in px."""

    lines: tuple[Line, ...]
    q: float


def columns_of(record: PageRecord) -> tuple[Column, ...]:
    """The columns of a page in the order of reading; none where perspective bends their edges."""
    if not record.glyphs or "slant_degrees" in record.quality:
        return ()
    angle = np.deg2rad(record.turn + record.quality.get("tilt_degrees", 0.0))
    rows: dict[int, list[GlyphRecord]] = {}
    for glyph in record.glyphs:
        rows.setdefault(glyph.line, []).append(glyph)
    lines = [_line(number, glyphs, float(angle)) for number, glyphs in sorted(rows.items())]
    columns: list[list[Line]] = []
    for line in lines:
        higher = columns and np.median(line.v) > np.median(columns[-1][-1].v)
        if not higher:
            columns.append([])
        columns[-1].append(line)
    return tuple(Column(tuple(c), float(np.median([line.q for line in c]))) for c in columns)


def _line(number: int, glyphs: Sequence[GlyphRecord], angle: float) -> Line:
    boxes = np.array([glyph.box for glyph in glyphs])
    centre_x, ruled_y, height, rotation = np.array([glyph.body for glyph in glyphs]).T
    c, s = np.cos(angle), np.sin(angle)
    turn = np.deg2rad(rotation)
    x = centre_x - np.sin(turn) * height / 2
    y = ruled_y + np.cos(turn) * height / 2
    return Line(
        number, tuple(glyphs), u=x * c + y * s, v=y * c - x * s,
        ink=_boxes_along_writing(boxes, float(c), float(s)), q=float(np.median(height)) / 3,
        across=bool(abs(s) > abs(c)),
    )  # fmt: skip


def _boxes_along_writing(boxes: Floats, c: float, s: float) -> Floats:
    """Boxes (N, 4) of the picture as boxes along the writing, which is turned by cos c and sin s.

    An upright box around a letter that leans a little is larger than the letter by the lean, which
    is subtracted.
    """
    x, y = ((boxes[:, :2] + boxes[:, 2:]) / 2).T
    wide, high = ((boxes[:, 2:] - boxes[:, :2]) / 2).T
    if abs(s) > abs(c):
        wide, high = high, wide
    lean = min(abs(s), abs(c))
    u, v = x * c + y * s, y * c - x * s
    wide, high = wide - lean * high, high - lean * wide
    return np.stack([u - wide, v - high, u + wide, v + high], axis=1)


EdgeSide = Literal["left", "right"]

EDGE_SIDES: tuple[EdgeSide, EdgeSide] = ("right", "left")

MIN_FRAME_GAP_Q = _LIMITS.number("min_frame_gap_q")
"""Gap in q from a line to the frame up to which letters may be cut off, so that no end shows."""

EDGE_FIT_ROUNDS, MIN_STRAY_Q, STRAY_MEDIANS = (
    _LIMITS.whole("edge_fit_rounds"),
    _LIMITS.number("min_stray_q"),
    _LIMITS.number("stray_medians"),
)
"""How often the curve of an edge is fitted, and q and medians of the lines' distances, from
which a line is an outlier of it."""

EDGE_TRIM_SHARE = _LIMITS.number("edge_trim_share")
"""Share of the lines left out at either end of the spread of an edge."""

MIN_FULL_LINE_SHARE = _LIMITS.number("min_full_line_share")
"""A full line is at least this share of its column's usual width; shorter ones end or begin a
portion, or are cut by the frame."""


@dataclass(frozen=True)
class Edge:
    """One side of a column: how far each full line reaches out, in q, from a common vertical."""

    side: EdgeSide
    lines: tuple[Line, ...]
    out: Floats
    """(N,), larger is further out."""

    @property
    def at(self) -> Floats:
        """(N,) number of each line, as a place down the page."""
        return np.array([float(line.number) for line in self.lines])

    @property
    def slope(self) -> float:
        """q by which the edge moves out from line to line: the median of all pairs of lines."""
        i, j = np.triu_indices(len(self.lines), 1)
        steps = (self.out[j] - self.out[i]) / (self.at[j] - self.at[i])
        return float(np.median(steps)) if len(steps) else 0.0

    @property
    def past(self) -> Floats:
        """(N,) q by which each line passes the edge's own curve.

        The curve may bow a little, as the edge of a page does before a camera; outliers are left
        out of its fit.
        """
        past, near = self.out, np.ones(len(self.out), np.bool_)
        for _ in range(EDGE_FIT_ROUNDS):
            curve = np.polyfit(self.at[near], self.out[near], 2)
            past = self.out - np.polyval(curve, self.at)
            off = np.abs(past - np.median(past))
            near = off <= max(MIN_STRAY_Q, STRAY_MEDIANS * float(np.median(off)))
        return np.asarray(past - np.median(past))

    @property
    def spread(self) -> float:
        """Range of `past` in q without a tenth of the lines at either end, at least one: a line may
        be indented where a portion begins."""
        cut = max(1, round(EDGE_TRIM_SHARE * len(self.lines)))
        inner = np.sort(self.past)[cut:-cut]
        return float(np.ptp(inner)) if len(inner) else 0.0


def column_edges(column: Column, facts: ImageFacts, breaks: frozenset[int]) -> tuple[Edge, Edge]:
    """Right and left edge, without the lean that both share, that of a page hung askew."""
    right, left = (_column_edge(column, facts, side, breaks) for side in EDGE_SIDES)
    lean = 0.0
    if right.slope * left.slope < 0:
        lean = float(np.sign(right.slope)) * min(abs(right.slope), abs(left.slope))
    return (
        replace(right, out=right.out - lean * right.at),
        replace(left, out=left.out + lean * left.at),
    )


def _column_edge(column: Column, facts: ImageFacts, side: EdgeSide, breaks: frozenset[int]) -> Edge:
    """One edge by its full lines; a column's last line may end anywhere."""
    usual = float(np.median([line.width for line in column.lines]))
    last = column.lines[-1].number
    lines = tuple(
        line for line in column.lines
        if line.width >= MIN_FULL_LINE_SHARE * usual
        and line.number not in breaks and line.number != last
        and gap_to_frame_px(line, side, facts) > MIN_FRAME_GAP_Q * line.q
    )  # fmt: skip
    middle = float(np.mean([(line.left + line.right) / 2 for line in column.lines]))
    out = [
        (line.right - middle if side == "right" else middle - line.left) / column.q
        for line in lines
    ]
    return Edge(side, lines, np.array(out))


def gap_to_frame_px(line: Line, side: EdgeSide, facts: ImageFacts) -> float:
    """px between a line's end and the frame of the picture, along the writing."""
    end = int(np.argmax(line.u) if side == "right" else np.argmin(line.u))
    x0, y0, x1, y1 = line.glyphs[end].box
    if line.across:
        return min(y0, facts.height - y1)
    return min(x0, facts.width - x1)

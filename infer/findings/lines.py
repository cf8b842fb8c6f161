"""The lines of a page as edges and levels: in q, along and across the writing.

u runs along the writing to the right, v across it downward, both on the page set upright and
straight; a page may hold several columns, each of which is a block of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from crownlet.infer.records import Floats, GlyphRecord, PageRecord


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
class Block:
    """The lines of one column from the top, and its kulmus in px."""

    lines: tuple[Line, ...]
    q: float


def blocks(record: PageRecord) -> tuple[Block, ...]:
    """The columns of a page in the order of reading."""
    if not record.glyphs:
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
    return tuple(Block(tuple(c), float(np.median([line.q for line in c]))) for c in columns)


def _line(number: int, glyphs: Sequence[GlyphRecord], angle: float) -> Line:
    boxes = np.array([glyph.box for glyph in glyphs])
    body = np.array([glyph.body for glyph in glyphs])
    c, s = np.cos(angle), np.sin(angle)
    turn = np.deg2rad(body[:, 3])
    x = body[:, 0] - np.sin(turn) * body[:, 2] / 2
    y = body[:, 1] + np.cos(turn) * body[:, 2] / 2
    return Line(
        number, tuple(glyphs), u=x * c + y * s, v=y * c - x * s,
        ink=_straight(boxes, float(c), float(s)), q=float(np.median(body[:, 2])) / 3,
        across=bool(abs(s) > abs(c)),
    )  # fmt: skip


def _straight(boxes: Floats, c: float, s: float) -> Floats:
    """Boxes (N, 4) of the picture as boxes along the writing, which is turned by cos c and sin s.

    An upright box around a letter that leans by a little is larger than the letter; by as much it
    is made smaller again.
    """
    x, y = ((boxes[:, :2] + boxes[:, 2:]) / 2).T
    wide, high = ((boxes[:, 2:] - boxes[:, :2]) / 2).T
    if abs(s) > abs(c):
        wide, high = high, wide
    lean = min(abs(s), abs(c))
    u, v = x * c + y * s, y * c - x * s
    wide, high = wide - lean * high, high - lean * wide
    return np.stack([u - wide, v - high, u + wide, v + high], axis=1)

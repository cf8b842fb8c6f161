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
    wide: Floats
    """(N,) width of each letter's ink along the writing, px."""
    left: float
    """Leftmost ink, px along the writing."""
    right: float
    q: float
    """Kulmus of the line in px: median of its letters."""
    across: bool
    """Whether the line runs down or up the picture, the page being turned by a quarter."""

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
    middle = (boxes[:, :2] + boxes[:, 2:]) / 2
    along = middle[:, 0] * c + middle[:, 1] * s
    # A box is upright in the picture; on a turned page its height lies along the writing.
    sides = (boxes[:, 2:] - boxes[:, :2]) / 2
    across = bool(abs(s) > abs(c))
    half = sides[:, 1] if across else sides[:, 0]
    return Line(
        number, tuple(glyphs), u=x * c + y * s, v=y * c - x * s, wide=2 * half,
        left=float((along - half).min()), right=float((along + half).max()),
        q=float(np.median(body[:, 2])) / 3, across=across,
    )  # fmt: skip

"""A letter while it is being drawn: the hand's measures, its unsteadiness, the parts so far."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from crownlet.datasets.letterforms.glyph import BODY_HEIGHT, Crown, Glyph, Part, PartKind
from crownlet.datasets.letterforms.hand import Hand
from crownlet.datasets.letterforms.pen import Floats, blocks, stroke, waver

Corner = tuple[float, float, float, float]
"""x, y, softness and bow of the edge that follows, in q."""
Knot = tuple[float, float, float]
"""x, y and thickness of a stroke, in q."""
_DRAWS = 96
_STEADIEST, _WILDEST = 0.0, 0.6


def clamp(value: float, low: float, high: float) -> float:
    """`value`, kept within [low, high]."""
    return low if value < low else high if value > high else value


class Sketch:
    """Collects the parts of one letter; lengths in q, measures kept to what stays legible."""

    def __init__(self, letter: str, hand: Hand, rng: np.random.Generator, stretch: float) -> None:
        self.letter, self.hand, self.extra = letter, hand, max(0.0, stretch)
        self.style = hand.style
        self.unsteady = 2.0 * clamp(hand.jitter, _STEADIEST, _WILDEST)
        self._draws = iter(rng.uniform(-1.0, 1.0, _DRAWS).tolist())
        self.w = clamp(hand.width, 0.8, 1.25)
        self.h = clamp(hand.horizontal + self.j(0.04), 0.7, 1.08)
        self.v = clamp(hand.vertical + self.j(0.04), 0.4, 0.85)
        self.flare = clamp(hand.flare, 0.0, 0.3)
        self.soft = 0.03 + 0.5 * clamp(hand.corner + self.j(0.05), 0.0, 0.35)
        self.cut = clamp(math.tan(math.radians(hand.pen_angle + self.j(6))), -0.3, 0.8)
        self.joint = clamp(hand.joint, 0.16, 0.42)
        self.taper = clamp(hand.taper + self.j(0.1), 0.0, 1.0)
        self.swell = clamp(hand.swell + self.j(0.04), -0.1, 0.3)
        self.tilt = clamp(hand.head_tilt, -14.0, 14.0)
        self.bend = clamp(hand.bow, -0.25, 0.25) + self.j(0.06)
        self.leg = clamp(hand.leg, 0.85, 1.12)
        self.heel = clamp(hand.heel + self.j(0.05), 0.12, 0.45)
        self._order: list[tuple[str, PartKind, int]] = []
        self._blocks: list[Sequence[Corner]] = []
        self._strokes: list[Floats] = []
        self._seat: tuple[float, float, float] | None = None
        self._stretch: tuple[float, float] | None = None

    def j(self, size: float) -> float:
        """A draw of this letter's unsteadiness: within about +-`size` for an average hand."""
        return size * self.unsteady * next(self._draws)

    def block(self, name: str, kind: PartKind, corners: Sequence[Corner]) -> None:
        """Add a part bounded by edges and soft corners, clockwise from its upper left."""
        self._order.append((name, kind, -1 - len(self._blocks)))
        self._blocks.append(corners)

    def stroke(
        self, name: str, kind: PartKind, knots: Sequence[Knot], start: float = 0.0, end: float = 0.0
    ) -> None:
        """Add a part drawn in one movement; `start`, `end` are the slopes of its ends."""
        self._order.append((name, kind, len(self._strokes)))
        self._strokes.append(stroke(knots, (start, end)))

    def seat(self, x0: float, x1: float, y: float) -> None:
        """Where tags may stand, before slant and wave."""
        self._seat = (x0, x1, y)

    def stretchable(self, x0: float, x1: float) -> None:
        """Which part of the width grows when the letter is stretched."""
        self._stretch = (x0, x1)

    def finish(self) -> Glyph:
        """The letter: slow wave over all parts, slant about the ruled line, left edge at x = 0."""
        drawn = blocks(self._blocks) if self._blocks else []
        outlines = [
            self._strokes[k] if k >= 0 else drawn[-1 - k] for _name, _kind, k in self._order
        ]
        seat = self._seat or (0.0, 1.0, 0.0)
        marks = [(seat[0], seat[2]), (seat[1], seat[2])]
        points = np.concatenate([*outlines, np.array(marks)])
        wave = 0.012 + 0.03 * self.unsteady
        points = waver(points, wave, [next(self._draws) for _ in range(8)])
        lean = math.tan(math.radians(clamp(self.hand.slant + self.j(0.8), -8.0, 8.0)))
        points[:, 0] -= lean * points[:, 1]
        inked = points[:-2]
        body = inked[(inked[:, 1] > -0.02) & (inked[:, 1] < BODY_HEIGHT + 0.02), 0]
        shift = float(body.min())
        points[:, 0] -= shift
        parts, start = [], 0
        for (name, kind, _k), outline in zip(self._order, outlines, strict=True):
            parts.append(Part(name, kind, points[start : start + len(outline)]))
            start += len(outline)
        (x0, y0), (x1, y1) = points[-2:].tolist()
        return Glyph(
            letter=self.letter,
            parts=tuple(parts),
            advance=float(body.max()) - shift,
            crown=None if self._seat is None else Crown(x0, x1, (y0 + y1) / 2),
            stretch=None
            if self._stretch is None
            else (self._stretch[0] - shift, self._stretch[1] - shift),
        )

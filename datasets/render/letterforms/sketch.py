"""A letter while it is being drawn: the hand's measures, its unsteadiness, the parts so far."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from crownlet.datasets.coco.truth import PartKind
from crownlet.datasets.render.letterforms.glyph import BODY_HEIGHT_Q, Crown, Glyph, Part
from crownlet.datasets.render.letterforms.hand import Hand, habits_of
from crownlet.datasets.render.letterforms.own_forms import (
    MODEL_FORM,
    SHARP_ARC_RADIUS_Q,
    SOFT_CORNER_RADIUS_Q,
    form_of,
)
from crownlet.datasets.render.letterforms.pen import (
    Floats,
    add_waver,
    block_outlines,
    stroke_outline,
)

Corner = tuple[float, float, float, float]
"""x, y, softness and bow of the edge that follows, in q."""

Knot = tuple[float, float, float]
"""x, y and thickness of a stroke, in q."""

_DRAW_COUNT = 128

MIN_WIDTH_RATIO, MAX_WIDTH_RATIO = 0.62, 1.16
"""Factors of a letter's width between which counters stay open (measured in scrolls)."""

HAIRLINE_Q = 0.15
"""Thickness in q of a hairline as drawn: what is left of it at 8 px a pen is still a line."""

SINGLE_STROKE_LETTERS = "וי"
"""Letters of one stroke: they swing as a whole."""

_MAX_UNSTEADINESS = 0.6
"""Unsteadiness beyond this would break the rules of a clean letter."""


def clamp(value: float, low: float, high: float) -> float:
    """`value`, kept within [low, high]."""
    return low if value < low else high if value > high else value


class Sketch:
    """Collects the parts of one letter. Lengths in q, held to what keeps a letter clean."""

    def __init__(self, letter: str, hand: Hand, rng: np.random.Generator, stretch: float) -> None:
        self.letter, self.hand, self.extra = letter, hand, max(0.0, stretch)
        self.style = hand.style
        self.habits = habits_of(hand.seed)
        self.ways = self.habits.ways_of(letter)
        self.own = own = form_of(hand.form_seed, hand.style, letter)
        self.unsteady = 2.0 * clamp(hand.jitter, 0.0, _MAX_UNSTEADINESS)
        self._draws = iter(rng.uniform(-1.0, 1.0, _DRAW_COUNT).tolist())
        own_width = 0.08 * self.habits.width_of(letter) + self.j(0.04)
        self.w = clamp(hand.width + own_width, 0.84, 1.22)
        condensed = clamp(hand.width / 0.86, 0.78, 1.0)
        if letter in SINGLE_STROKE_LETTERS:
            condensed = math.sqrt(condensed)
        # A head keeps room for three tags.
        least = 0.74 if letter in "שעטנגצץ" else MIN_WIDTH_RATIO
        self.narrow = clamp(condensed * own.width, least, MAX_WIDTH_RATIO)
        """By what factor this hand draws the whole letter together, or apart."""
        self.open = self.narrow**-0.75 if self.narrow < 1 else 1.0
        """By what factor gaps that must stay open are drawn wider before that."""
        self.extra /= self.narrow
        roomy = own is not MODEL_FORM and letter in "בכפ"
        self.depth = 0.65 * self.open if roomy else 0.25
        """Least gap in q over a base, between its cut end and the limb at its right."""
        self.h = clamp(hand.horizontal * own.level + self.j(0.04), 0.62, 1.06)
        self.heavy = clamp(hand.horizontal - 1.06, 0.0, 0.22)
        """q by which roofs and bases of a heavy hand exceed a pen, where the letter has room."""
        # Uprights keep their thickness when the letter is drawn together.
        upright = hand.vertical * own.upright * min(1.3, self.narrow**-0.6)
        self.v = clamp(upright + self.j(0.04), 0.3, 0.88)
        self.flare = clamp(hand.flare * (1 - 0.6 * own.bud) + self.j(0.02), 0.0, 0.28)
        self.soft = 0.03 + 0.5 * clamp(hand.corner + self.j(0.05), 0.0, 0.3) + 0.2 * own.corner
        self.round = own.corner * (1 + self.j(0.2)) if own.corner else 0.0
        """Radius in q of corners that the model has sharp."""
        self.bud = 0.22 * own.bud
        """q by which corners of heads are softer than the model's."""
        self.cut = clamp(math.tan(math.radians(hand.pen_angle + self.j(5))), -0.2, 1.1)
        self.joint = clamp(hand.joint, 0.1, 0.44)
        self.taper = clamp(hand.taper + self.j(0.1), 0.0, 1.0)
        self.swell = clamp(hand.swell + self.j(0.04), -0.05, 0.25)
        self.tilt = clamp(hand.head_tilt, -9.0, 20.0)
        self.bend = clamp(hand.bow, -0.3, 0.3) + self.j(0.05)
        self.leaf = clamp(2.0 * self.habits.leaf - 0.9, 0.0, 1.0)
        self.strong = 1.0 + max(0.0, self.habits.strong)
        # Kuf's loose leg hangs close under its roof, which stays even.
        sways = self.habits.loose > 0 and letter != "ק"
        self.loose = 0.35 + 0.65 * self.habits.loose if sways else 0.0
        self.long = 1.7 * clamp(hand.final - 1.2, 0.0, 0.7)
        """q by which legs below the line exceed what is usual."""
        self.shorter = 0.0 if self.long or hand.final > 1.2 else own.short
        """q by which they, or those of vav, stay above it."""
        self.heel = clamp(hand.heel + self.j(0.05), 0.16, 0.45)
        self.fillet = 0.12 + 0.08 * self.habits.fillet
        self.crest = 0.0
        """y of the upper left point of the roof drawn last."""
        self.eaves = (0.0, 1.0, 1.0, 1.0, 0.0)
        """The under edge of the roof drawn last: from x, y to x, y, and how far it sags."""
        self.ridge = (0.0, 0.0, 1.0, 0.0, 0.0)
        """Its upper edge: from x, y to x, y, and how far it swells upward between them."""
        self.unasked: set[str] = set()
        """Defects that look the same as this hand's way with the letter."""
        self._order: list[tuple[str, PartKind, int]] = []
        self._blocks: list[Sequence[Corner]] = []
        self._strokes: list[Floats] = []
        self._seat: tuple[float, float, float] | None = None
        self._stretch: tuple[float, float] | None = None

    def j(self, size: float) -> float:
        """A draw of this letter's unsteadiness: within about +-`size` for an average hand."""
        draw: float = size * self.unsteady * next(self._draws)
        return draw

    def r(self, size: float) -> float:
        """A draw within +-`size` for a loose hand, 0 for one that rules its bars."""
        return size * self.loose * next(self._draws) if self.loose else 0.0

    def thin(self, t: float, share: float = 1.0) -> float:
        """Thickness of a thin stroke, `t` in the model: as near a hairline as this hand goes."""
        hair = HAIRLINE_Q / min(1.0, self.narrow)
        return t if t <= hair else t + share * self.own.hair * (hair - t)

    def corner(self, least: float = 0.0, fault: str | None = "corner_rounded") -> float:
        """Softness of a corner that the model has sharp, at least `least`; where the hand rounds
        it as far as a fault would, that `fault` is recorded as unknown."""
        if fault is not None and self.own.corner > SOFT_CORNER_RADIUS_Q:
            self.unasked.add(fault)
        return max(self.soft, least, self.round)

    def arc(self, model: float) -> float:
        """Radius of a corner that the model rounds by `model`: this hand's own. Where it is little
        rounder than a corner, a squared corner is recorded as unknown."""
        radius = model + self.own.arc
        if radius < SHARP_ARC_RADIUS_Q:
            self.unasked.add("corner_squared")
        return radius

    def under(self, x: float) -> float:
        """y of the under edge of the roof drawn last at x."""
        x0, y0, x1, y1, sag = self.eaves
        s = clamp((x - x0) / (x1 - x0), 0.0, 1.0)
        return y0 + (y1 - y0) * s + 4 * s * (1 - s) * sag

    def over(self, x: float) -> float:
        """y of the upper edge of the roof drawn last at x."""
        x0, y0, x1, y1, swell = self.ridge
        s = clamp((x - x0) / (x1 - x0), 0.0, 1.0)
        return y0 + (y1 - y0) * s - 4 * s * (1 - s) * swell

    def foot_y(self, y: float = 2.95, most: float = 3.12) -> float:
        """Where a leg that should end at y ends in this hand and letter."""
        length = y * (0.5 + 0.5 * clamp(self.hand.leg, 0.84, 1.1))
        return min(length + self.j(0.07), most)

    def block(self, name: str, kind: PartKind, corners: Sequence[Corner]) -> None:
        """Add a part bounded by edges and soft corners, clockwise from its upper left."""
        self._order.append((name, kind, -1 - len(self._blocks)))
        self._blocks.append(corners)

    def stroke(
        self, name: str, kind: PartKind, knots: Sequence[Knot], start: float = 0.0, end: float = 0.0
    ) -> None:
        """Add a part drawn in one movement; `start`, `end` are the slopes of its ends."""
        self._order.append((name, kind, len(self._strokes)))
        self._strokes.append(stroke_outline(knots, (start, end), self.soft))

    def seat(self, x0: float, x1: float, y: float) -> None:
        """Where tags may stand, before slant and wave."""
        self._seat = (x0, x1, y)

    def stretchable(self, x0: float, x1: float) -> None:
        """Which part of the width grows when the letter is stretched."""
        self._stretch = (x0, x1)

    def finish(self) -> Glyph:
        """The letter: slow wave over all parts, slant about the ruled line, left edge at x = 0."""
        drawn = block_outlines(self._blocks) if self._blocks else []
        outlines = [
            self._strokes[k] if k >= 0 else drawn[-1 - k] for _name, _kind, k in self._order
        ]
        seat = self._seat or (0.0, 1.0, 0.0)
        marks = np.array([(seat[0], seat[2]), (seat[1], seat[2])])
        points = self._moved(np.concatenate([*outlines, marks]))
        inked = points[:-2]
        body = inked[(inked[:, 1] > -0.02) & (inked[:, 1] < BODY_HEIGHT_Q + 0.02), 0]
        shift = float(body.min())
        points[:, 0] -= shift
        parts, start = [], 0
        for (name, kind, _k), outline in zip(self._order, outlines, strict=True):
            parts.append(Part(name, kind, points[start : start + len(outline)]))
            start += len(outline)
        (x0, y0), (x1, y1) = points[-2:].tolist()
        span = self._stretch
        return Glyph(
            letter=self.letter,
            parts=tuple(parts),
            advance=float(body.max()) - shift,
            crown=None if self._seat is None else Crown(x0, x1, (y0 + y1) / 2),
            stretch=None
            if span is None
            else (span[0] * self.narrow - shift, span[1] * self.narrow - shift),
            unasked=tuple(sorted(self.unasked)),
        )

    def _spread(self, points: Floats) -> Floats:
        """All points with the limbs spread, and the base fallen, as this hand does in this letter.

        The whole plane moves at once, so that what joins stays joined and what is apart stays so.
        """
        own = self.own
        if own is MODEL_FORM:
            return points
        x, y = points.T
        left = float(x[:-2].min())
        across = ((x - left) / (float(x[:-2].max()) - left)).clip(0.0, 1.0)
        low = y.clip(0.0, BODY_HEIGHT_Q) / BODY_HEIGHT_Q
        if self.letter in SINGLE_STROKE_LETTERS:  # The head stays over the leg's beginning.
            low = ((y - 0.8) / (BODY_HEIGHT_Q - 0.8)).clip(0.0, 1.0)
            bow = 0.5 * own.belly * np.sin(np.pi * low)
            return _points(x + 0.6 * own.splay * low + bow, y)
        waist = np.sin(np.pi * low)
        rest, middle = 1.0 - across, np.sin(np.pi * across)
        aside = (own.splay * across - own.lap * rest) * low
        aside += (own.belly * across - own.hollow * rest) * waist
        down = own.sink * rest * low + middle * (own.rock * low - own.arch * (1.0 - low))
        return _points(x + aside, y + down)

    def _moved(self, points: Floats) -> Floats:
        """All points with the unsteadiness of the whole letter and the hand's slant."""
        points = self._spread(points)
        points = add_waver(
            points, 0.015 + 0.035 * self.unsteady, [next(self._draws) for _ in range(12)]
        )
        lean = math.tan(math.radians(clamp(self.hand.slant + self.j(0.8), -7.0, 7.0)))
        points[:, 0] = points[:, 0] * self.narrow - lean * points[:, 1]
        points[:, 1] = points[:, 1] * (1 + self.j(0.02)) + self.j(0.04)
        return points


def _points(x: Floats, y: Floats) -> Floats:
    """(N, 2), ten times as quick as `np.stack`."""
    points = np.empty((len(x), 2))
    points[:, 0], points[:, 1] = x, y
    return points

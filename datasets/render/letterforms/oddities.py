"""Known oddities of writing, which are no defects: large, small, dotted, turned and curled letters.

They are written by tradition, and leaving them out does no harm (Rambam, Tefillin 2:6; Yoreh Deah
275:6 gloss; Keset HaSofer 16:4). The body cell of such a letter in the truth stays that of its
line, three pens high, however large the letter itself is: it marks the line.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Literal

import numpy as np

from crownlet.datasets.coco.truth import Outline
from crownlet.datasets.render.letterforms.glyph import BODY_HEIGHT_Q, Crown, Glyph, Part
from crownlet.datasets.render.letterforms.hand import Hand
from crownlet.datasets.render.letterforms.pen import Floats, stroke_outline

Oddity = Literal["large", "small", "dotted", "inverted", "curled"]

_ALL_LETTERS = "אבגדהוזחטיךכלםמןנסעףפץצקרשת"

_SPIRAL_LETTERS = "פף"

_CURLED_LEGS = {"ח": "leg_left", "ק": "leg_left", "ן": "leg", "ך": "leg", "ף": "leg", "ץ": "leg"}
"""Letters of which old hands curl a leg, and the leg."""

ODDITY_LETTERS: dict[Oddity, str] = {
    "large": "".join(c for c in _ALL_LETTERS if c not in "ךןףקליוז"),
    "small": "".join(c for c in _ALL_LETTERS if c not in "לוןךק"),
    "dotted": _ALL_LETTERS.replace("ל", ""),
    "inverted": "נ",
    "curled": _SPIRAL_LETTERS + "".join(c for c in _CURLED_LEGS if c not in _SPIRAL_LETTERS),
}
"""Letters that are written so, as far as the lines above and below leave room for it, and as far as
size alone makes no other letter of them: a small vav is a yud, a large zayin a final nun.
"""

ODDITIES_AFTER_TAGS: tuple[Oddity, ...] = ("small", "dotted")
"""Oddities that come over the letter when its tags are set."""

MAX_SIZE_RATIO = 2.0
"""A large letter against its neighbours; by one tradition the dalet is as four (Keset 20:5)."""


def known_oddities(letter: str) -> tuple[Oddity, ...]:
    """The oddities in which `letter` may be written."""
    return tuple(name for name, letters in ODDITY_LETTERS.items() if letter in letters)


def apply_oddity(glyph: Glyph, name: Oddity, hand: Hand, rng: np.random.Generator) -> Glyph:
    """The clean glyph written in this way: before tags are set, or after (`ODDITIES_AFTER_TAGS`).

    Raises ValueError where the letter is not written so (`known_oddities`).
    """
    if glyph.letter not in ODDITY_LETTERS[name]:
        raise ValueError(f"{glyph.letter!r} is not written {name}")
    return replace(_ODDITY_FUNCTIONS[name](glyph, hand, rng), oddity=name)


def enlarge(glyph: Glyph, hand: Hand, rng: np.random.Generator) -> Glyph:
    """Hanging from its line, or standing out above and below, as far as the line pitch lets it."""
    room = max(1.25, min(MAX_SIZE_RATIO, (hand.line_pitch - 0.9) / BODY_HEIGHT_Q))
    if glyph.letter == "ץ":
        room = 1.35
    size = float(rng.uniform(1.2, room))
    return _resize(glyph, size, 0.0 if rng.random() < 0.7 else BODY_HEIGHT_Q / 2)


def reduce_size(glyph: Glyph, hand: Hand, rng: np.random.Generator) -> Glyph:
    """Hanging from its line, in the middle of the others, or with its foot at theirs."""
    still = (0.0, BODY_HEIGHT_Q / 2, BODY_HEIGHT_Q)[int(rng.integers(3))]
    return _resize(glyph, float(rng.uniform(0.6, 0.75)), still)


def _resize(glyph: Glyph, size: float, still: float) -> Glyph:
    """The glyph at `size` times its size, height `still` staying where it is."""

    def grown(outline: Outline) -> Outline:
        out: Outline = (outline - (0.0, still)) * size + (0.0, still)
        return out

    seat = glyph.crown
    if seat is not None:
        seat = Crown(seat.x0 * size, seat.x1 * size, (seat.y - still) * size + still)
    return replace(glyph.mapped(grown), crown=seat, advance=glyph.advance * size, stretch=None)


def invert(glyph: Glyph, hand: Hand, rng: np.random.Generator) -> Glyph:
    """A nun turned about: seen as in a mirror, or stood on its head."""
    if rng.random() < 0.5:
        seat = glyph.crown
        if seat is not None:
            seat = Crown(glyph.advance - seat.x1, glyph.advance - seat.x0, seat.y)
        # Outlines stay clockwise, as all that the pen draws.
        turned = glyph.mapped(lambda outline: (glyph.advance, 0.0) + outline * (-1.0, 1.0))
        parts = tuple(part.mapped(lambda outline: outline[::-1]) for part in turned.parts)
        cuts = tuple(cut[::-1] for cut in turned.cuts)
        return replace(turned, parts=parts, cuts=cuts, crown=seat, stretch=None)
    turned = glyph.mapped(lambda outline: (glyph.advance, BODY_HEIGHT_Q) - outline)
    return replace(turned, crown=None, stretch=None)


def curl(glyph: Glyph, hand: Hand, rng: np.random.Generator) -> Glyph:
    """A pe whose drop is rolled in, or a leg whose end is curled."""
    if glyph.letter in _SPIRAL_LETTERS and (glyph.letter == "פ" or rng.random() < 0.6):
        return _roll_drop(glyph, rng)
    leg = glyph.part(_CURLED_LEGS[glyph.letter])
    reach = float(rng.uniform(0.35, 0.75)) * (1.0 if rng.random() < 0.5 else -1.0)
    if glyph.letter == "ק":
        reach = abs(reach)  # away from the space between the lines, not into its own
    return glyph.with_parts([leg.mapped(lambda outline: _curl_leg(outline, reach))])


def _curl_leg(outline: Outline, reach: float) -> Outline:
    """The lower half of a leg swung `reach` aside in a bow, its end turned up a little."""
    x, y = outline.T
    top, foot = float(y.min()), float(y.max())
    below = np.clip((y - top) / (foot - top) - 0.5, 0.0, None) / 0.5
    lifted = 0.3 * abs(reach) * np.clip(below - 0.6, 0.0, None) / 0.4
    return np.stack([x + reach * below**2, y - lifted], axis=1)


def _roll_drop(glyph: Glyph, rng: np.random.Generator) -> Glyph:
    """Instead of a drop, a thin stroke that runs down from the roof and rolls in on itself."""
    drop, joint = glyph.part("drop"), glyph.part("joint")
    top = float(joint.outline[:, 1].min())
    low = float(drop.outline[:, 1].max())
    left = float(min(joint.outline[:, 0].min(), drop.outline[:, 0].min()))
    turns = float(rng.uniform(1.0, 1.5))
    thick = float(rng.uniform(0.16, 0.22))
    radius = (low - top) / 2 * float(rng.uniform(0.62, 0.72))
    centre = np.array([left + radius + thick / 2 + 0.05, low - radius])
    angles = np.pi + np.linspace(0.0, -2 * np.pi * turns, int(6 * turns) + 2)
    away = radius * np.linspace(1.0, 0.3, len(angles))
    ring: Floats = centre + away[:, None] * np.stack([np.cos(angles), -np.sin(angles)], axis=1)
    knots = [(left + thick, top, 1.6 * thick), *((float(x), float(y), thick) for x, y in ring[:-1])]
    knots.append((float(ring[-1, 0]), float(ring[-1, 1]), 1.5 * thick))
    rolled = stroke_outline(knots, (0.0, 0.0))
    return glyph.without("drop").with_parts([replace(joint, outline=rolled)])


def add_dots(glyph: Glyph, hand: Hand, rng: np.random.Generator) -> Glyph:
    """Scribes' dots over the letter, above its tags; they count as no tags."""
    x0, top, x1, _ = glyph.bounds()
    count = int(rng.integers(1, 4)) if x1 - x0 > 1.6 else 1
    size = float(rng.uniform(0.13, 0.22))
    y = min(top, 0.0) - size - float(rng.uniform(0.2, 0.35))
    middle = glyph.advance / 2 + float(rng.uniform(-0.15, 0.15))
    places = middle + (np.arange(count) - (count - 1) / 2) * float(rng.uniform(0.55, 0.75))
    dots = [_draw_dot(f"dot_{k + 1}", float(x), y, size, rng) for k, x in enumerate(places)]
    return glyph.with_parts(dots)


def _draw_dot(name: str, x: float, y: float, size: float, rng: np.random.Generator) -> Part:
    """A round or four-cornered dot, as the pen sets it."""
    square = float(rng.uniform(0.0, 0.25))
    angle = np.linspace(0.0, 2 * np.pi, 16, endpoint=False) + float(rng.uniform(0, np.pi))
    around = size * (1 - square * np.cos(4 * angle)) * rng.uniform(0.93, 1.07, 16)
    outline = np.array([x, y]) + around[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return Part(name, "drop", outline)


_ODDITY_FUNCTIONS: dict[str, Callable[[Glyph, Hand, np.random.Generator], Glyph]] = {
    "large": enlarge, "small": reduce_size, "inverted": invert, "curled": curl,
    "dotted": add_dots,
}  # fmt: skip

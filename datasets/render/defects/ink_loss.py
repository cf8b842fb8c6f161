"""Ink lost: flakes gone from the strokes. What remains of the form decides (Orach Chayim 32:15)."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from crownlet.datasets.coco.truth import Outline
from crownlet.datasets.render.defects.common import (
    DOUBTFUL_PLAINNESS,
    DefectFamily,
    RegisteredDefect,
    add_mark,
    draw_index,
    grade_size,
    mark_doubtful,
)
from crownlet.datasets.render.letterforms.glyph import Glyph
from crownlet.datasets.render.letterforms.hand import Hand
from crownlet.datasets.render.letterforms.morph_ways import morph_partners
from crownlet.datasets.render.letterforms.outlines import Region
from crownlet.datasets.render.letterforms.pen import Floats
from crownlet.datasets.scribal.catalogue import CATALOGUE

_LEGIBLE_LOSS_SHARE = 0.15
"""A letter that has lost more of its ink than this may be read for another."""

_FLAKE_ANGLES_RAD = np.linspace(0.0, 2 * np.pi, 11)[:-1]

_FLAKE_ATTEMPTS = 36

_SQUARES_PER_Q, _SQUARES_PER_PLACE = 24, 7
"""Squares a q in which ink is counted, and how many of them stand for one place of a flake."""

_DOUBTFUL_BESIDES = (
    "stroke_broken", "part_loose", "ring_open", "kotz_missing", "heel_missing", "leg_short",
)  # fmt: skip
"""Defects that flakes may also cause, which are then in doubt unless drawn."""


def ink_lost(glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float) -> Glyph | None:
    """Flakes taken out of the ink; size = the share of the letter's ink that is lost.

    Where they may have cut through a stroke its break is marked doubtful, without a size.
    """
    if plainness == 0.0:
        return add_mark(glyph, "ink_lost", 0.0, 0.0)
    wanted = grade_size(plainness, 0.0, 0.025, 0.16, 0.3) * float(rng.uniform(0.92, 1.08))
    sheet = _InkGrid(glyph)
    tags = [part.outline for part in glyph.of_kind("tag")]
    crown = Region(tags) if tags else None
    flakes: list[Outline] = []
    # Flakes come in a patch, the largest at its middle.
    grains = sheet.left()
    centre = grains[int(rng.random() * len(grains))]
    reach = float(rng.uniform(0.4, 1.4))
    # So large that a handful of them, each half on the ink, take the share that is needed.
    usual = np.sqrt(wanted * sheet.area / float(rng.uniform(2.0, 6.0))) * 1.4
    lost = 0.0
    for _ in range(_FLAKE_ATTEMPTS):
        grains = sheet.left()
        place = grains[int(np.hypot(*(grains - rng.normal(centre, reach)).T).argmin())]
        size = float(np.clip(usual * rng.uniform(0.5, 1.2), 0.1, 1.5))
        if crown is not None and float(crown.clearance(place[None])[0]) < 0.8 * size:
            continue  # Crowns stay as they are: their tags are counted.
        flakes.append(_flake_outline(place, size, rng))
        lost = sheet.less(flakes[-1])
        if lost >= wanted:
            break
    if lost < 0.7 * wanted:
        return None
    flaked = replace(glyph, cuts=(*glyph.cuts, *flakes))
    if plainness >= DOUBTFUL_PLAINNESS:
        flaked = _add_doubtful_marks(flaked)
    likes = morph_partners(glyph.letter)
    if lost > _LEGIBLE_LOSS_SHARE and likes:
        flaked = mark_doubtful(flaked, likes[draw_index(rng, len(likes))], plainness, 0.3)
    return add_mark(flaked, "ink_lost", lost, plainness)


class _InkGrid:
    """A letter's ink in small squares, from which flakes are taken."""

    def __init__(self, glyph: Glyph) -> None:
        x0, y0, x1, y1 = glyph.bounds()
        self._corner = np.array([x0, y0]) - 2 / _SQUARES_PER_Q
        size = (int((y1 - y0) * _SQUARES_PER_Q) + 5, int((x1 - x0) * _SQUARES_PER_Q) + 5)
        self._ink = np.zeros(size, np.uint8)
        for part in glyph.parts:
            self._fill(part.outline, 1)
        for cut in glyph.cuts:
            self._fill(cut, 0)
        self._before = max(1, int(self._ink.sum()))

    @property
    def area(self) -> float:
        """Square q of ink before any flake."""
        return self._before / _SQUARES_PER_Q**2

    def left(self) -> Floats:
        """Points (N, 2) in q spread over the ink that is left."""
        places = np.flatnonzero(self._ink)[::_SQUARES_PER_PLACE]
        y, x = np.divmod(places, self._ink.shape[1])
        points: Floats = np.stack([x, y], axis=1) / _SQUARES_PER_Q + self._corner
        return points

    def less(self, flake: Outline) -> float:
        """Take the flake out; the share of the ink that is lost by now."""
        self._fill(flake, 0)
        return 1.0 - int(self._ink.sum()) / self._before

    def _fill(self, outline: Outline, value: int) -> None:
        points = np.round((outline - self._corner) * (16 * _SQUARES_PER_Q)).astype(np.int32)
        cv2.fillPoly(self._ink, [points], value, shift=4)


def _add_doubtful_marks(glyph: Glyph) -> Glyph:
    """The glyph with doubtful marks of what flakes may have cut."""
    there = {mark.name for mark in glyph.defects}
    for name in _DOUBTFUL_BESIDES:
        if name not in there and CATALOGUE[name].applies_to(glyph.letter):
            glyph = add_mark(glyph, name, 0.0, 0.5)
    return glyph


def _flake_outline(centre: Floats, size: float, rng: np.random.Generator) -> Outline:
    """An uneven blot of about `size` q across."""
    radius = size / 2 * rng.uniform(0.6, 1.3, len(_FLAKE_ANGLES_RAD))
    stretch = float(rng.uniform(0.6, 1.6))
    turn = _FLAKE_ANGLES_RAD + float(rng.uniform(0, np.pi))
    blot = np.stack(
        [stretch * radius * np.cos(_FLAKE_ANGLES_RAD), radius * np.sin(_FLAKE_ANGLES_RAD)], axis=1
    )
    spin = np.array([[np.cos(turn[0]), -np.sin(turn[0])], [np.sin(turn[0]), np.cos(turn[0])]])
    outline: Outline = centre + blot @ spin
    return outline


INK_LOSSES: DefectFamily = {
    "ink_lost": RegisteredDefect("".join(chr(c) for c in range(0x5D0, 0x5EB)), ink_lost)
}

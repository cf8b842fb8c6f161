"""Ink lost: flakes gone from the strokes. What remains of the form decides (Orach Chayim 32:15)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crownlet.datasets.catalogue import CATALOGUE
from crownlet.datasets.defects.common import DOUBTFUL, Entry, Family, graded, marked
from crownlet.datasets.letterforms.glyph import Glyph, Outline
from crownlet.datasets.letterforms.hand import Hand
from crownlet.datasets.letterforms.outlines import Floats, Region

_TURNS = np.linspace(0.0, 2 * np.pi, 11)[:-1]
_TRIES = 24
_STEP, _GRAINS = 0.15, 500
_HIDES = ("stroke_broken", "part_loose", "ring_open", "tag_loose")
"""What flakes may have brought about besides, where nobody drew it: in doubt."""


def ink_lost(glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float) -> Glyph | None:
    """Flakes taken out of the ink; size = the share of the letter's ink that is lost.

    Where they may have cut through a stroke its break is marked doubtful, without a size.
    """
    if plainness == 0.0:
        return marked(glyph, "ink_lost", 0.0, 0.0)
    wanted = graded(plainness, 0.0, 0.025, 0.12, 0.36) * float(rng.uniform(0.92, 1.08))
    grains, cell = _grains(glyph, rng)
    lost = np.zeros(len(grains), bool)
    flakes: list[Outline] = []
    # Flakes come in a patch, the largest at its middle.
    centre = grains[int(rng.random() * len(grains))]
    reach = float(rng.uniform(0.4, 1.4))
    # So large that a handful of them, each half on the ink, take what is wanted.
    usual = np.sqrt(wanted * len(grains) * cell / float(rng.uniform(2.0, 6.0))) * 1.4
    for _ in range(_TRIES):
        left = grains[~lost]
        near = left[int(np.hypot(*(left - rng.normal(centre, reach)).T).argmin())]
        # Off the grain by chance, or the grains would count more ink lost than there is.
        size = float(np.clip(usual * rng.uniform(0.5, 1.2), 0.1, 1.5))
        flakes.append(_flake(near + rng.uniform(-_STEP, _STEP, 2), size, rng))
        under = np.flatnonzero(np.hypot(*(grains - flakes[-1].mean(axis=0)).T) < 1.1 * size)
        if len(under):
            lost[under] |= Region([flakes[-1]]).contains(grains[under])
        if lost.mean() >= wanted:
            break
    if not lost.any():
        return None
    flaked = replace(glyph, cuts=(*glyph.cuts, *flakes))
    if plainness >= DOUBTFUL:
        flaked = _in_doubt(flaked)
    return marked(flaked, "ink_lost", float(lost.mean()), plainness)


def _in_doubt(glyph: Glyph) -> Glyph:
    """The glyph with doubtful marks of what flakes may have cut."""
    there = {mark.name for mark in glyph.defects}
    for name in _HIDES:
        if name not in there and CATALOGUE[name].applies_to(glyph.letter):
            glyph = marked(glyph, name, 0.0, 0.5)
    return glyph


def _grains(glyph: Glyph, rng: np.random.Generator) -> tuple[Floats, float]:
    """Points (N, 2) spread evenly over the ink, and the area in square q for which each stands."""
    x0, y0, x1, y1 = glyph.bounds()
    step = min(_STEP, float(np.sqrt((x1 - x0) * (y1 - y0) / _GRAINS)))
    x, y = np.meshgrid(np.arange(x0, x1, step), np.arange(y0, y1, step))
    points = np.stack([x.ravel(), y.ravel()], axis=1) + rng.uniform(0, step, (x.size, 2))
    inked: Floats = points[Region([part.outline for part in glyph.parts]).contains(points)]
    return inked, step * step


def _flake(centre: Floats, size: float, rng: np.random.Generator) -> Outline:
    """An uneven blot of about `size` q across."""
    radius = size / 2 * rng.uniform(0.6, 1.3, len(_TURNS))
    stretch = float(rng.uniform(0.6, 1.6))
    turn = _TURNS + float(rng.uniform(0, np.pi))
    blot = np.stack([stretch * radius * np.cos(_TURNS), radius * np.sin(_TURNS)], axis=1)
    spin = np.array([[np.cos(turn[0]), -np.sin(turn[0])], [np.sin(turn[0]), np.cos(turn[0])]])
    outline: Outline = centre + blot @ spin
    return outline


FAMILY: Family = {"ink_lost": Entry("".join(chr(c) for c in range(0x5D0, 0x5EB)), ink_lost)}

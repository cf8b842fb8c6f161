"""Ink lost: flakes gone from the strokes. What remains of the form decides (Orach Chayim 32:15)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crownlet.datasets.defects.common import Entry, Family, graded, marked
from crownlet.datasets.letterforms.glyph import Glyph, Outline
from crownlet.datasets.letterforms.hand import Hand
from crownlet.datasets.letterforms.outlines import Floats, Region

_TURNS = np.linspace(0.0, 2 * np.pi, 11)[:-1]
_TRIES = 14
_STEP, _GRAINS = 0.13, 700


def ink_lost(glyph: Glyph, hand: Hand, rng: np.random.Generator, plainness: float) -> Glyph | None:
    """Flakes taken out of the ink; size = the share of the letter's ink that is lost."""
    if plainness == 0.0:
        return marked(glyph, "ink_lost", 0.0, 0.0)
    wanted = graded(plainness, 0.0, 0.03, 0.10, 0.33)
    grains = _grains(glyph, rng)
    lost = np.zeros(len(grains), bool)
    flakes: list[Outline] = []
    # Flakes come in a patch, the largest at its middle.
    centre = grains[int(rng.random() * len(grains))]
    reach = float(rng.uniform(0.5, 1.6))
    for _ in range(_TRIES):
        size = float(rng.uniform(0.35, 1.0)) * (0.16 + 0.5 * wanted)
        near = grains[int(np.hypot(*(grains - rng.normal(centre, reach)).T).argmin())]
        # Off the grain by chance, or the grains would count more ink lost than there is.
        flakes.append(_flake(near + rng.uniform(-_STEP, _STEP, 2), size, rng))
        lost |= Region([flakes[-1]]).contains(grains)
        if lost.mean() >= wanted:
            break
    flaked = replace(glyph, cuts=(*glyph.cuts, *flakes))
    return marked(flaked, "ink_lost", float(lost.mean()), plainness)


def _grains(glyph: Glyph, rng: np.random.Generator) -> Floats:
    """Points (N, 2) spread evenly over the ink."""
    x0, y0, x1, y1 = glyph.bounds()
    step = min(_STEP, float(np.sqrt((x1 - x0) * (y1 - y0) / _GRAINS)))
    x, y = np.meshgrid(np.arange(x0, x1, step), np.arange(y0, y1, step))
    points = np.stack([x.ravel(), y.ravel()], axis=1) + rng.uniform(0, step, (x.size, 2))
    inked: Floats = points[Region([part.outline for part in glyph.parts]).contains(points)]
    return inked


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

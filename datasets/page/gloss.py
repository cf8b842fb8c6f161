"""Raised ink that shines: a dull sheen, and lights on the side that faces the lamp."""

from __future__ import annotations

import numpy as np

from crownlet.datasets.page.inkflow import Flow
from crownlet.datasets.page.inkstyle import InkStyle
from crownlet.datasets.page.textures import Field, Kind

LAMP = (262.0, 266.0, 262.0)
SHEEN = (96.0, 102.0, 94.0)


def shine(paint: list[Field], flow: Flow, style: InkStyle, rng: np.random.Generator) -> None:
    """Lay sheen and lights over the three planes of colour, in place."""
    q = flow.q
    toward_x, toward_y = np.float32(np.cos(style.lamp)), np.float32(np.sin(style.lamp))
    # Ink slopes down where there is less of it; the slope that looks to the lamp mirrors it.
    facing = -(flow.slope_x * toward_x + flow.slope_y * toward_y)
    # Lights gather on small bumps, or along the cells of the skin beneath.
    kind: Kind = ("mottle", "mottle", "cells", "crackle")[int(rng.integers(4))]
    bumps = flow.sample(kind, max(0.3, q * float(rng.uniform(0.01, 0.035))), rng)
    np.minimum(bumps, 0.9 if kind == "crackle" else 1.8, out=bumps)
    places = flow.sample("mottle", q * float(rng.uniform(0.08, 0.35)), rng)
    broad = np.clip((flow.inside - 0.15) * 4.0, 0.3, 1.0) * (1.0 - 0.5 * flow.thin)
    dull = np.clip(0.1 + 0.6 * facing + 0.25 * places + 0.3 * bumps, 0.0, 0.9)
    dull *= np.float32(style.gloss) * broad
    level = np.float32(1.85 - 0.95 * style.gloss)
    lit = np.clip((1.1 * facing + 0.4 * places + 0.5 * bumps - level) * 1.1, 0.0, 1.0) * broad
    for plane, sheen, lamp in zip(paint, SHEEN, LAMP, strict=True):
        plane += dull * (np.float32(sheen) - plane)
        plane += lit * (np.float32(lamp) - plane)

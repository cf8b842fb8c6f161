"""Marked manners of writing beyond what a copybook shows, each with a share of the hands."""

from __future__ import annotations

from typing import Any

import numpy as np


def draw_manner(rng: np.random.Generator) -> dict[str, Any]:
    """What a hand of a marked manner does otherwise: light, heavy, condensed, old, or none."""
    u = float(rng.random())
    if u < 0.12:  # A pen held steeply: thin uprights.
        return {
            "vertical": float(rng.uniform(0.3, 0.44)),
            "pen_angle": float(rng.uniform(34.0, 50.0)),
            "joint": float(rng.uniform(0.1, 0.2)),
        }
    if u < 0.20:  # Little white inside: photographs of old scrolls have such.
        return {
            "horizontal": float(rng.uniform(1.02, 1.28)),
            "vertical": float(rng.uniform(0.7, 0.88)),
            "joint": float(rng.uniform(0.22, 0.44)),
        }
    if u < 0.32:  # Letters drawn together, higher than wide.
        return {
            "width": float(rng.uniform(0.7, 0.86)),
            "vertical": float(rng.uniform(0.38, 0.62)),
        }
    if u < 0.55:  # Old hands: heads askew on legs that bend and taper, joints of any thickness.
        return {
            "head_tilt": float(rng.uniform(2.0, 18.0)),
            "bow": float(rng.uniform(-0.22, 0.26)),
            "pen_angle": float(rng.uniform(22.0, 46.0)),
            "joint": float(rng.uniform(0.1, 0.42)),
            "taper": float(rng.uniform(0.4, 1.0)),
            "vertical": float(rng.uniform(0.4, 0.74)),
            "horizontal": float(rng.uniform(0.86, 1.12)),
        }
    if u < 0.63:  # Short legs, thick to their end.
        return {
            "leg": float(rng.uniform(0.84, 0.93)),
            "vertical": float(rng.uniform(0.68, 0.86)),
            "taper": float(rng.uniform(0.1, 0.4)),
        }
    return {}


def draw_pride(rng: np.random.Generator) -> dict[str, Any]:
    """Necks and final legs long enough to enter the lines above and below, in some hands."""
    proud = {}
    if rng.random() < 0.13:
        proud["neck"] = float(rng.uniform(1.12, 1.24))
    if rng.random() < 0.15:
        proud["final"] = float(rng.uniform(1.2, 1.9))
    return proud

"""All measures of a patch by name with their meanings; here those of the camera.

Noise, JPEG blocks, and the fall of power with frequency.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.train.realism.patches import Patch
from crownlet.train.realism.tones import (
    Measures,
    colour_tones,
    edge_measures,
    ink_tones,
    skin_tones,
    stroke_measures,
)

_FREQUENCY_BANDS = {"low": (0.02, 0.08), "middle": (0.08, 0.2), "high": (0.2, 0.48)}
"""Cycles a px."""

_SECOND_DIFFERENCE = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32) / 6.0
"""Second difference, blind to planes and edges: Immerkaer, Fast Noise Variance Estimation, 1996."""


MEASURE_MEANINGS: dict[str, str] = {
    "ink_level": "grey of ink, 0 to 255",
    "ink_contrast": "contrast of ink with skin, % of skin",
    "ink_spread": "tone spread inside strokes, % of contrast",
    "ink_spread_fine": "of it finer than 0.12 q",
    "ink_spread_middle": "of it 0.12 to 0.4 q",
    "ink_spread_coarse": "of it coarser than 0.4 q (stroke to stroke)",
    "ink_lights": "lightest 2% inside strokes above their middle, % of contrast",
    "ink_darks": "darkest 2% inside strokes below their middle, % of contrast",
    "ink_glints": "share of stroke inside that shines or is bare, %",
    "skin_level": "grey of skin, 0 to 255",
    "skin_spread": "skin texture, light taken out, % of its level",
    "skin_fine": "of it finer than 0.12 q",
    "skin_middle": "of it 0.12 to 0.4 q",
    "skin_coarse": "of it coarser than 0.4 q",
    "skin_lopsided": "light specks outweigh dark ones (+) or not (-), % of level",
    "skin_glints": "share of skin that shines, %",
    "skin_clipped": "share of skin burnt out, %",
    "light_slope": "fall of light over one body height, % of level",
    "skin_red_green": "ln red/green of skin",
    "skin_green_blue": "ln green/blue of skin",
    "ink_red_green": "ln red/green of ink",
    "ink_green_blue": "ln green/blue of ink",
    "ink_tint_of_skin": "ln red/blue of ink less that of skin",
    "colour_noise": "colour detail of skin over its grey detail",
    "colour_together": "correlation of red with green detail on skin",
    "blue_together": "correlation of blue with green detail on skin",
    "edge_width": "width of ink's edge, q",
    "edge_width_px": "width of ink's edge, px",
    "edge_width_varies": "blunt edges over sharp ones (80th/20th percentile)",
    "halo": "skin about ink darker (+) than further off, % of contrast",
    "ink_rim": "strokes lighter at the rim (+) than in the middle, % of contrast",
    "ink_share": "share of ink, %",
    "stroke": "middle thickness of strokes, q",
    "stroke_varies": "thick over thin strokes (90th/10th percentile)",
    "hairlines": "share of stroke middle thinner than 0.3 q, %",
    "outline_rough": "outline's roughness below 0.12 q, q",
    "outline_waves": "outline's waviness below 0.35 q, q",
    "specks": "specks of ink or bare holes a patch",
    "edges_level": "share of edge within 15 degrees of level, %",
    "edges_upright": "share of edge within 15 degrees of upright, %",
    "edges_strict": "share of edge within 4 degrees of level or upright, %",
    "noise_skin": "noise on skin, grey levels",
    "noise_ink": "noise in ink, grey levels",
    "blocks": "steps at JPEG block borders over those elsewhere",
    "power_slope_low": "slope of power, 0.02 to 0.08 cycles/px, dB an octave",
    "power_slope_middle": "slope of power, 0.08 to 0.2 cycles/px",
    "power_slope_high": "slope of power, 0.2 to 0.48 cycles/px",
    "power_floor": "power above 0.4 cycles/px, dB",
}
"""Every measure with its unit; q is the pen width."""

EXPOSURE_MEASURES = frozenset(
    {
        "ink_level", "ink_contrast", "skin_level", "skin_clipped", "skin_red_green",
        "skin_green_blue", "ink_red_green", "ink_green_blue", "ink_tint_of_skin",
    }
)  # fmt: skip
"""Measures of exposure and tint, on which photographs rightly differ: here only coverage counts."""

_COLOUR_MEASURES = tuple(
    name for name in MEASURE_MEANINGS if "red" in name or "blue" in name or "tint" in name
)


def camera_measures(patch: Patch) -> Measures:
    """Noise in grey levels, blockiness as a ratio (1 is none), slopes of power (dB an octave)."""
    rest = np.abs(cv2.filter2D(patch.grey, cv2.CV_32F, _SECOND_DIFFERENCE))
    factor = float(np.sqrt(np.pi / 2))
    return {
        "noise_skin": factor * float(rest[patch.skin].mean()),
        "noise_ink": factor * float(rest[patch.core].mean()),
        "blocks": _blockiness(patch),
        **_power_slopes(patch),
    }


def _blockiness(patch: Patch) -> float:
    """Mean step across borders of the picture's 8 px blocks over that elsewhere, on skin."""
    ratios = []
    for axis, start in ((1, patch.x), (0, patch.y)):
        step = np.abs(np.diff(patch.grey, axis=axis))
        first = np.take(patch.skin, range(patch.skin.shape[axis] - 1), axis=axis)
        place = (np.arange(step.shape[axis]) + start + 1) % 8 == 0
        border = place[None, :] if axis == 1 else place[:, None]
        on, off = step[first & border], step[first & ~border]
        if len(on) > 10 and len(off) > 10:
            ratios.append(float(on.mean() + 0.05) / float(off.mean() + 0.05))
    return float(np.mean(ratios)) if ratios else 1.0


def _power_slopes(patch: Patch) -> Measures:
    """Fall of the levelled patch's power with frequency in three bands, and its floor."""
    levelled = (patch.grey - patch.grey.mean()) / patch.contrast
    window = np.outer(np.hanning(levelled.shape[0]), np.hanning(levelled.shape[1]))
    power = np.abs(np.fft.rfft2(levelled * window)) ** 2 / float((window**2).sum())
    rows = np.fft.fftfreq(levelled.shape[0])[:, None]
    radius = np.hypot(rows, np.fft.rfftfreq(levelled.shape[1])[None, :])
    measures: Measures = {}
    for name, (low, high) in _FREQUENCY_BANDS.items():
        cuts = np.geomspace(low, high, 5)
        tops, means = [], []
        for a, b in pairwise(cuts):
            ring = (radius >= a) & (radius < b)
            if ring.any():
                tops.append(np.log2(np.sqrt(a * b)))
                means.append(10 * np.log10(float(power[ring].mean()) + 1e-9))
        slope = np.polyfit(tops, means, 1)[0] if len(tops) > 1 else 0.0
        measures[f"power_slope_{name}"] = float(slope)
    floor = power[radius > 0.4].mean() if (radius > 0.4).any() else 0.0
    measures["power_floor"] = float(10 * np.log10(float(floor) + 1e-9))
    return measures


def measure_patch(patch: Patch) -> dict[str, float]:
    """All measures of one patch by name."""
    parts = (ink_tones, skin_tones, colour_tones, edge_measures, stroke_measures, camera_measures)
    return {name: value for part in parts for name, value in part(patch).items()}


def measure_table(patches: Sequence[Patch]) -> npt.NDArray[np.float64]:
    """(patches, measures) in the order of `MEANINGS`."""
    rows = [measure_patch(patch) for patch in patches]
    return np.array([[row[name] for name in MEASURE_MEANINGS] for row in rows], np.float64)


def _names_starting(*starts: str) -> tuple[str, ...]:
    return tuple(
        name
        for name in MEASURE_MEANINGS
        if name.startswith(starts) and name not in EXPOSURE_MEASURES
    )


_COLOUR_MEASURES += ("colour_noise", "colour_together")

_STROKE_MEASURES = (
    *_names_starting("stroke", "hairlines", "outline", "specks", "edges"),
    "ink_share",
)

MEASURE_FAMILIES: dict[str, tuple[str, ...]] = {
    "all measures": tuple(MEASURE_MEANINGS),
    "grey structure": tuple(
        n for n in MEASURE_MEANINGS if n not in EXPOSURE_MEASURES and n not in _COLOUR_MEASURES
    ),
    "strokes": _STROKE_MEASURES,
    "edges of ink": _names_starting("edge_", "halo", "ink_rim"),
    "tone of ink": _names_starting("ink_spread", "ink_lights", "ink_darks", "ink_glints"),
    "skin and light": _names_starting("skin_", "light_"),
    "camera": _names_starting("noise", "blocks", "power"),
    "colour": _COLOUR_MEASURES,
}
"""Measures by what they look at; "grey structure" leaves out colour and exposure."""

"""Measures of the camera: noise, JPEG blocks, and how power falls with frequency."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np

from crownlet.train.critic.patches import Patch
from crownlet.train.critic.tones import Measures

_BANDS = {"low": (0.02, 0.08), "middle": (0.08, 0.2), "high": (0.2, 0.48)}
"""Cycles a px."""
_SECOND = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32) / 6.0
"""Second difference, blind to planes and edges: Immerkaer, Fast Noise Variance Estimation, 1996."""


def camera(patch: Patch) -> Measures:
    """Noise in grey levels, blockiness as a ratio (1 is none), slopes of power (dB an octave)."""
    rest = np.abs(cv2.filter2D(patch.grey, cv2.CV_32F, _SECOND))
    factor = float(np.sqrt(np.pi / 2))
    return {
        "noise_skin": factor * float(rest[patch.skin].mean()),
        "noise_ink": factor * float(rest[patch.core].mean()),
        "blocks": _blocks(patch),
        **_slopes(patch),
    }


def _blocks(patch: Patch) -> float:
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


def _slopes(patch: Patch) -> Measures:
    """Fall of the levelled patch's power with frequency in three bands, and its floor."""
    levelled = (patch.grey - patch.grey.mean()) / patch.contrast
    window = np.outer(np.hanning(levelled.shape[0]), np.hanning(levelled.shape[1]))
    power = np.abs(np.fft.rfft2(levelled * window)) ** 2 / float((window**2).sum())
    rows = np.fft.fftfreq(levelled.shape[0])[:, None]
    radius = np.hypot(rows, np.fft.rfftfreq(levelled.shape[1])[None, :])
    measures: Measures = {}
    for name, (low, high) in _BANDS.items():
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

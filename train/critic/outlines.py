"""Measures of strokes and their edges, in pen widths."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.train.critic.patches import Patch
from crownlet.train.critic.tones import Measures


def edges(patch: Patch) -> Measures:
    """How ink ends: width of the edge, halo or bleeding about it."""
    soft = cv2.GaussianBlur(patch.grey, (0, 0), 0.6)
    steep = np.hypot(cv2.Sobel(soft, cv2.CV_32F, 1, 0), cv2.Sobel(soft, cv2.CV_32F, 0, 1)) / 8
    dark = patch.ink.astype(np.uint8)
    rim = cv2.morphologyEx(dark, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)) > 0
    width = patch.contrast / np.maximum(steep[rim], 0.05 * patch.contrast / patch.q)
    sharp, half, blunt = np.percentile(width, (20, 50, 80)) / patch.q
    away = cv2.distanceTransform(1 - dark, cv2.DIST_L2, 5) / patch.q
    within = cv2.distanceTransform(dark, cv2.DIST_L2, 5) / patch.q
    near = patch.grey[(away > 0.25) & (away < 0.4)]
    far = patch.grey[(away > 0.6) & (away < 1.0)]
    border = patch.grey[(within > 0.12) & (within < 0.22)]
    middle = patch.grey[within > 0.32]
    return {
        "edge_width": float(half),
        "edge_width_px": float(half * patch.q),
        "edge_width_varies": float(blunt / sharp),
        "halo": _difference(far, near) * 100.0 / patch.contrast,
        "ink_rim": _difference(border, middle) * 100.0 / patch.contrast,
    }


def strokes(patch: Patch) -> Measures:
    """Amount, thickness and outline of strokes."""
    dark = patch.ink.astype(np.uint8)
    outlines, _ = cv2.findContours(dark, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    paths = [o[:, 0].astype(np.float64) for o in outlines if len(o) > 3.0 * patch.q]
    ridge = _ridge(dark) * 2.0 / patch.q
    thin, half, thick = np.percentile(ridge, (10, 50, 90)) if len(ridge) else (0.0, 0.0, 0.0)
    rough = [_away(p, patch.q * 0.12) / patch.q for p in paths]
    waves = [_away(p, patch.q * 0.35) / patch.q for p in paths]
    speck = sum(len(o) < 0.8 * patch.q for o in outlines)
    return {
        "ink_share": 100.0 * float(patch.ink.mean()),
        "stroke": float(half),
        "stroke_varies": float(thick / max(thin, 1e-3)),
        "hairlines": 100.0 * float((ridge < 0.3).mean()) if len(ridge) else 0.0,
        "outline_rough": float(np.mean(rough)) if rough else 0.0,
        "outline_waves": float(np.mean(waves)) if waves else 0.0,
        "specks": float(speck),
        **_directions(patch),
    }


def _difference(a: npt.NDArray[np.float32], b: npt.NDArray[np.float32]) -> float:
    return float(np.median(a) - np.median(b)) if len(a) > 20 and len(b) > 20 else 0.0


def _ridge(dark: npt.NDArray[np.uint8]) -> npt.NDArray[np.float64]:
    """Half thickness in px along the middle of strokes."""
    far = cv2.distanceTransform(dark, cv2.DIST_L2, 5)
    top = (far >= cv2.dilate(far, np.ones((3, 3), np.uint8))) & (far > 0.9)
    return np.asarray(far[top], np.float64)


def _away(path: npt.NDArray[np.float64], sigma: float) -> float:
    """Root mean square distance in px of a closed outline from itself smoothed along its length."""
    frequency = np.fft.fftfreq(len(path))
    keep = np.exp(-2 * (np.pi * frequency * sigma) ** 2)[:, None]
    smooth = np.fft.ifft(np.fft.fft(path, axis=0) * keep, axis=0).real
    return float(np.sqrt(((path - smooth) ** 2).sum(axis=1).mean()))


def _directions(patch: Patch) -> Measures:
    """Share of edge that runs level, upright, or neither; how strictly level and upright."""
    soft = cv2.GaussianBlur(patch.grey, (0, 0), 0.12 * patch.q)
    x, y = cv2.Sobel(soft, cv2.CV_32F, 1, 0), cv2.Sobel(soft, cv2.CV_32F, 0, 1)
    weight = np.hypot(x, y)
    angle = np.degrees(np.arctan2(y, x)) % 180.0
    total = float(weight.sum()) + 1e-6
    upright = np.minimum(angle, 180.0 - angle)
    level = np.abs(angle - 90.0)
    return {
        "edges_level": 100.0 * float(weight[level < 15].sum()) / total,
        "edges_upright": 100.0 * float(weight[upright < 15].sum()) / total,
        "edges_strict": 100.0 * float(weight[np.minimum(level, upright) < 4].sum()) / total,
    }

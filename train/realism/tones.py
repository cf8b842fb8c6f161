"""Measures of tone, colour and light of ink and skin, of strokes and of their edges (in q)."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.train.realism.patches import Grey, Mask, Patch

Measures = dict[str, float]


def ink_tones(patch: Patch) -> Measures:
    """Tone inside strokes; spreads in hundredths of the contrast between skin and ink."""
    unit = 100.0 / patch.contrast
    core = patch.grey[patch.core]
    fine, middle, coarse = spread_by_scale(patch.grey, patch.core, patch.q)
    low, half, high = np.percentile(core, (2, 50, 98))
    return {
        "ink_level": patch.ink_level,
        "ink_contrast": 100.0 * patch.contrast / max(1.0, patch.skin_level),
        "ink_spread": float(core.std()) * unit,
        "ink_spread_fine": fine * unit,
        "ink_spread_middle": middle * unit,
        "ink_spread_coarse": coarse * unit,
        "ink_lights": float(high - half) * unit,
        "ink_darks": float(half - low) * unit,
        "ink_glints": 100.0 * float((core > patch.ink_level + 0.35 * patch.contrast).mean()),
    }


def skin_tones(patch: Patch) -> Measures:
    """Texture of bare skin by scale, in hundredths of its level, and how light falls on it."""
    unit = 100.0 / max(1.0, patch.skin_level)
    skin = patch.grey[patch.skin]
    fine, middle, coarse = spread_by_scale(patch.grey, patch.skin, patch.q)
    low, half, high = np.percentile(skin, (2, 50, 98))
    flat, slope = _subtract_plane(patch.grey, patch.skin)
    return {
        "skin_level": patch.skin_level,
        "skin_spread": float(flat.std()) * unit,
        "skin_fine": fine * unit,
        "skin_middle": middle * unit,
        "skin_coarse": coarse * unit,
        "skin_lopsided": float((high - half) - (half - low)) * unit,
        "skin_glints": 100.0 * float((skin > 1.35 * patch.skin_level).mean()),
        "skin_clipped": 100.0 * float((patch.image.max(axis=2)[patch.skin] >= 254).mean()),
        "light_slope": slope * 3.0 * patch.q * unit,
    }


def colour_tones(patch: Patch) -> Measures:
    """Tints as logarithms of ratios between planes, and how the planes go together."""
    planes = patch.image.astype(np.float32)
    skin, ink = planes[patch.skin], planes[patch.core]
    mean, dark = np.median(skin, axis=0) + 1.0, np.median(ink, axis=0) + 1.0
    rest = planes - cv2.GaussianBlur(planes, (0, 0), max(1.0, 0.3 * patch.q))
    texture = rest[patch.skin]
    luma = texture @ np.array([0.299, 0.587, 0.114], np.float32)
    chroma = texture[:, [0, 2]] - texture[:, [1]]
    return {
        "skin_red_green": float(np.log(mean[0] / mean[1])),
        "skin_green_blue": float(np.log(mean[1] / mean[2])),
        "ink_red_green": float(np.log(dark[0] / dark[1])),
        "ink_green_blue": float(np.log(dark[1] / dark[2])),
        "ink_tint_of_skin": float(np.log(dark[0] / dark[2]) - np.log(mean[0] / mean[2])),
        "colour_noise": float(chroma.std() / max(0.3, luma.std())),
        "colour_together": _correlation(texture[:, 0], texture[:, 1]),
        "blue_together": _correlation(texture[:, 2], texture[:, 1]),
    }


def spread_by_scale(grey: Grey, mask: Mask, q: float) -> tuple[float, float, float]:
    """Standard deviations within `mask` of detail below 0.12 q, to 0.4 q, and beyond."""
    weight = mask.astype(np.float32)
    level = float(grey[mask].mean())
    spreads, last = [], grey
    for sigma in (0.12 * q, 0.4 * q):
        soft = cv2.GaussianBlur((grey - level) * weight, (0, 0), sigma)
        share = cv2.GaussianBlur(weight, (0, 0), sigma)
        blurred = np.asarray(soft / np.maximum(share, 1e-3) + level, np.float32)
        spreads.append(float((last - blurred)[mask].std()))
        last = blurred
    return spreads[0], spreads[1], float(last[mask].std())


def _subtract_plane(grey: Grey, mask: Mask) -> tuple[npt.NDArray[np.float64], float]:
    """Tones within `mask` less the plane through them, and the plane's slope a px."""
    y, x = np.nonzero(mask)
    design = np.stack([x, y, np.ones(len(x))], axis=1).astype(np.float64)
    tones = grey[mask].astype(np.float64)
    found = np.linalg.lstsq(design, tones, rcond=None)[0]
    return tones - design @ found, float(np.hypot(found[0], found[1]))


def _correlation(a: npt.NDArray[np.float32], b: npt.NDArray[np.float32]) -> float:
    spread = float(a.std() * b.std())
    return float(((a - a.mean()) * (b - b.mean())).mean() / spread) if spread > 1e-6 else 1.0


def edge_measures(patch: Patch) -> Measures:
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
        "halo": _median_difference(far, near) * 100.0 / patch.contrast,
        "ink_rim": _median_difference(border, middle) * 100.0 / patch.contrast,
    }


def stroke_measures(patch: Patch) -> Measures:
    """Amount, thickness and outline of strokes."""
    dark = patch.ink.astype(np.uint8)
    outlines, _ = cv2.findContours(dark, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    paths = [o[:, 0].astype(np.float64) for o in outlines if len(o) > 3.0 * patch.q]
    ridge = _half_thickness(dark) * 2.0 / patch.q
    thin, half, thick = np.percentile(ridge, (10, 50, 90)) if len(ridge) else (0.0, 0.0, 0.0)
    rough = [_outline_roughness(p, patch.q * 0.12) / patch.q for p in paths]
    waves = [_outline_roughness(p, patch.q * 0.35) / patch.q for p in paths]
    speck = sum(len(o) < 0.8 * patch.q for o in outlines)
    return {
        "ink_share": 100.0 * float(patch.ink.mean()),
        "stroke": float(half),
        "stroke_varies": float(thick / max(thin, 1e-3)),
        "hairlines": 100.0 * float((ridge < 0.3).mean()) if len(ridge) else 0.0,
        "outline_rough": float(np.mean(rough)) if rough else 0.0,
        "outline_waves": float(np.mean(waves)) if waves else 0.0,
        "specks": float(speck),
        **_edge_directions(patch),
    }


def _median_difference(a: npt.NDArray[np.float32], b: npt.NDArray[np.float32]) -> float:
    return float(np.median(a) - np.median(b)) if len(a) > 20 and len(b) > 20 else 0.0


def _half_thickness(dark: npt.NDArray[np.uint8]) -> npt.NDArray[np.float64]:
    """Half thickness in px along the middle of strokes."""
    far = cv2.distanceTransform(dark, cv2.DIST_L2, 5)
    top = (far >= cv2.dilate(far, np.ones((3, 3), np.uint8))) & (far > 0.9)
    return np.asarray(far[top], np.float64)


def _outline_roughness(path: npt.NDArray[np.float64], sigma: float) -> float:
    """Root mean square distance in px of a closed outline from itself smoothed along its length."""
    frequency = np.fft.fftfreq(len(path))
    keep = np.exp(-2 * (np.pi * frequency * sigma) ** 2)[:, None]
    smooth = np.fft.ifft(np.fft.fft(path, axis=0) * keep, axis=0).real
    return float(np.sqrt(((path - smooth) ** 2).sum(axis=1).mean()))


def _edge_directions(patch: Patch) -> Measures:
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

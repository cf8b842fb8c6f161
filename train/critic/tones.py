"""Measures of tone and colour: of ink, of skin, and of the light on both."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.train.critic.patches import Grey, Mask, Patch

Measures = dict[str, float]


def ink_tones(patch: Patch) -> Measures:
    """Tone inside strokes; spreads in hundredths of the contrast between skin and ink."""
    unit = 100.0 / patch.contrast
    core = patch.grey[patch.core]
    fine, middle, coarse = bands(patch.grey, patch.core, patch.q)
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
    fine, middle, coarse = bands(patch.grey, patch.skin, patch.q)
    low, half, high = np.percentile(skin, (2, 50, 98))
    flat, slope = _plane(patch.grey, patch.skin)
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


def colours(patch: Patch) -> Measures:
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


def bands(grey: Grey, mask: Mask, q: float) -> tuple[float, float, float]:
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


def _plane(grey: Grey, mask: Mask) -> tuple[npt.NDArray[np.float64], float]:
    """Tones within `mask` less the plane through them, and the plane's slope a px."""
    y, x = np.nonzero(mask)
    design = np.stack([x, y, np.ones(len(x))], axis=1).astype(np.float64)
    tones = grey[mask].astype(np.float64)
    found = np.linalg.lstsq(design, tones, rcond=None)[0]
    return tones - design @ found, float(np.hypot(found[0], found[1]))


def _correlation(a: npt.NDArray[np.float32], b: npt.NDArray[np.float32]) -> float:
    spread = float(a.std() * b.std())
    return float(((a - a.mean()) * (b - b.mean())).mean() / spread) if spread > 1e-6 else 1.0

"""Optics: exposure, balance of colours, focus and motion.

Positions never change here: the geometry of the sheet is in `geometry.py`.
"""

from __future__ import annotations

import cv2
import numpy as np

from crownlet.datasets.page.lens import defocused, shaken
from crownlet.datasets.page.light import cast
from crownlet.datasets.page.sensor import SMALL_Q, Image
from crownlet.datasets.page.spec import Augment
from crownlet.datasets.page.textures import Field


def expose(page: Field, strength: float, rng: np.random.Generator) -> Image:
    """Float light to uint8 with the exposure, contrast and colour cast of a careless camera."""
    if strength <= 0:
        return np.clip(np.rint(page), 0, 255).astype(np.uint8)
    gain = np.exp(strength * rng.normal(-0.12, 0.35))
    # Cameras meter: bare skin ends below white but for one page in ten.
    bright = float(np.quantile(page[::16, ::16].max(axis=2), 0.8)) * gain
    ceiling = 300.0 if rng.random() < 0.1 else float(rng.uniform(190.0, 250.0))
    gain *= min(max(1.0, 82.0 / max(bright, 1.0)), ceiling / max(bright, 1.0))
    # Stray light in the lens has no colour of the skin's: ink stays grey on yellow skin.
    lift = strength * rng.uniform(3, 28)
    scale = cast(strength, rng) * np.float32(gain * (1 - lift / 255))
    if rng.random() < 0.9:
        _balance(scale, np.median(page[::16, ::16].reshape(-1, 3), axis=0))
    # A matrix at once scales and lifts the channels, much quicker than numpy does.
    mixed = cv2.transform(page, np.column_stack([np.diag(scale), np.full(3, lift, np.float32)]))
    image = cv2.convertScaleAbs(np.maximum(mixed, 0.0, out=mixed))
    gamma = float(np.exp(strength * rng.normal(0, 0.15)))
    table = np.clip(np.rint(255 * (np.arange(256) / 255) ** gamma), 0, 255).astype(np.uint8)
    return np.asarray(cv2.LUT(image, table), np.uint8)


def _balance(scale: Field, skin: Field) -> None:
    """Keep `skin` as cameras show it: yellowish to grey, hardly ever green or blue.

    Lamps err between yellow and blue; mint, lilac and pink are no skin's colours.
    """
    red, green, blue = (float(c) for c in skin * scale)
    if green > red + 4.0:
        scale[1] *= (red + 4.0) / green
        green = red + 4.0
    if red > green * 1.6:
        scale[0] *= green * 1.6 / red
    if blue > green + 6.0:
        scale[2] *= (green + 6.0) / blue


def optics(image: Image, q: float, spec: Augment, camera: bool, rng: np.random.Generator) -> Image:
    """Focus and motion blur; never wider than a sixth of a pen, so that letters stay letters.

    Small letters bear less of it, an eighth.
    """
    if spec.blur <= 0:
        return image
    widest = (0.17 if q >= SMALL_Q else 0.12) * q * spec.blur * (1.0 if camera else 0.5)
    if rng.random() < 0.75:
        sigma = float(widest * rng.random() ** 2)
        blurred = _blur(image, sigma, rng) if sigma > 0.25 else image
        image = _falling_focus(image, blurred, rng) if camera and rng.random() < 0.4 else blurred
    if camera and rng.random() < 0.2:
        image = shaken(image, max(2.0, 2.0 * widest * rng.random()), rng)
    if camera and rng.random() < 0.25:
        image = _fringed(image, rng)
    return image


def _blur(image: Image, sigma: float, rng: np.random.Generator) -> Image:
    """Gaussian for small blur; a disc, as lenses have it, for some of the rest."""
    if sigma > 1.2 and rng.random() < 0.5:
        return defocused(image, max(2, round(1.6 * sigma)), rng)
    return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma), np.uint8)


def _falling_focus(sharp: Image, blurred: Image, rng: np.random.Generator) -> Image:
    """Sharp on one side, or in the middle and blurred towards the frame."""
    height, width = sharp.shape[:2]
    a = rng.uniform(0, 2 * np.pi)
    y, x = np.mgrid[-1:1:16j, -1:1:16j].astype(np.float32)
    ramp = np.cos(a) * x + np.sin(a) * y
    if rng.random() < 0.4:
        ramp = 0.8 * (x * x + y * y) - 0.5
    ramp = np.clip(0.5 + ramp, 0, 1).astype(np.float32)
    share = cv2.resize(ramp, (width, height))
    return np.asarray(cv2.blendLinear(blurred, sharp, share, 1.0 - share), np.uint8)


def _fringed(image: Image, rng: np.random.Generator) -> Image:
    """Lateral colour of a cheap lens: red and blue a px apart towards the frame."""
    height, width = image.shape[:2]
    planes = list(cv2.split(image))
    shift = float(rng.uniform(0.3, 1.2)) * 2.0 / max(height, width)
    for channel, sign in ((0, 1.0), (2, -1.0)):
        k = 1.0 + sign * shift
        matrix = np.array([[k, 0, (1 - k) * width / 2], [0, k, (1 - k) * height / 2]])
        planes[channel] = cv2.warpAffine(
            planes[channel], matrix, (width, height), borderMode=cv2.BORDER_REPLICATE
        )
    return np.asarray(cv2.merge(planes), np.uint8)


def greyed(image: Image) -> Image:
    """The same picture without colour, still (H, W, 3)."""
    return np.asarray(
        cv2.cvtColor(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY), cv2.COLOR_GRAY2RGB), np.uint8
    )

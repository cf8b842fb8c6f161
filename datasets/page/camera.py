"""Optics and sensor: light, focus, motion, noise, colour and JPEG.

The only module that knows albumentations, so that the library can be replaced. Positions never
change here: the geometry of the sheet is in `geometry.py`.
"""

from __future__ import annotations

import os
from typing import Any

os.environ.setdefault("NO_ALBUMENTATIONS_UPDATE", "1")

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.page.spec import Augment
from crownlet.datasets.page.textures import Field, texture

Image = npt.NDArray[np.uint8]


def light(page: Field, strength: float, rng: np.random.Generator) -> None:
    """Uneven light on (H, W, 3) float32: a falling lamp, dark corners, the shadow of a hand."""
    if strength <= 0:
        return
    height, width = page.shape[:2]
    y, x = np.mgrid[-1:1:24j, -1:1:32j].astype(np.float32)
    field = 1.0 + strength * rng.uniform(0, 0.25) * (
        np.cos(a := rng.uniform(0, 2 * np.pi)) * x + np.sin(a) * y
    )
    field -= strength * rng.uniform(0, 0.3) * (x * x + y * y) / 2
    if rng.random() < 0.3:
        b = rng.uniform(0, 2 * np.pi)
        edge = np.cos(b) * x + np.sin(b) * y - rng.uniform(-0.4, 0.6)
        soft = 1.0 / (1.0 + np.exp(-edge * rng.uniform(3, 20)))
        field *= 1.0 - strength * rng.uniform(0.1, 0.45) * soft
    field = np.asarray(np.maximum(field, 0.25), np.float32)
    wide = cv2.resize(field, (width, height), interpolation=cv2.INTER_LINEAR)
    page *= wide[:, :, None]


def expose(page: Field, strength: float, rng: np.random.Generator) -> Image:
    """Float light to uint8 with the exposure, contrast and colour cast of a careless camera."""
    if strength <= 0:
        return np.clip(np.rint(page), 0, 255).astype(np.uint8)
    gain = np.exp(strength * rng.normal(-0.15, 0.3))
    # Cameras meter: bare skin ends below white but for one page in ten.
    bright = float(np.quantile(page[::16, ::16].max(axis=2), 0.8)) * gain
    ceiling = 300.0 if rng.random() < 0.1 else float(rng.uniform(190.0, 250.0))
    gain *= min(max(1.0, 65.0 / max(bright, 1.0)), ceiling / max(bright, 1.0))
    cast = np.exp(strength * rng.normal(0, 0.06, 3))
    lift = strength * rng.uniform(0, 18)
    scale = (gain * cast * (1 - lift / 255)).astype(np.float32)
    page *= scale
    page += np.float32(lift)
    image = cv2.convertScaleAbs(np.maximum(page, 0.0, out=page))
    gamma = float(np.exp(strength * rng.normal(0, 0.15)))
    table = np.clip(np.rint(255 * (np.arange(256) / 255) ** gamma), 0, 255).astype(np.uint8)
    return np.asarray(cv2.LUT(image, table), np.uint8)


def optics(image: Image, q: float, spec: Augment, camera: bool, rng: np.random.Generator) -> Image:
    """Focus and motion blur; never wider than a sixth of a pen, so that letters stay letters."""
    if spec.blur <= 0:
        return image
    widest = 0.17 * q * spec.blur * (1.0 if camera else 0.5)
    if rng.random() < 0.75:
        sigma = float(widest * rng.random() ** 2)
        blurred = _blur(image, sigma, rng) if sigma > 0.25 else image
        image = _falling_focus(image, blurred, rng) if camera and rng.random() < 0.4 else blurred
    if camera and rng.random() < 0.15:
        length = 2 * int(np.clip(round(widest * rng.random()), 1, 7)) + 1
        image = _run("MotionBlur", image, rng, blur_limit=(length, length))
    return image


def _blur(image: Image, sigma: float, rng: np.random.Generator) -> Image:
    """Gaussian for small blur; a disc, as lenses have it, for some of the rest."""
    if sigma > 1.2 and rng.random() < 0.5:
        radius = max(2, round(1.6 * sigma))
        return _run("Defocus", image, rng, radius=(radius, radius), alias_blur=(0.3, 0.3))
    return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma), np.uint8)


def _falling_focus(sharp: Image, blurred: Image, rng: np.random.Generator) -> Image:
    height, width = sharp.shape[:2]
    a = rng.uniform(0, 2 * np.pi)
    y, x = np.mgrid[-1:1:16j, -1:1:16j].astype(np.float32)
    ramp = np.clip(0.5 + np.cos(a) * x + np.sin(a) * y, 0, 1).astype(np.float32)
    share = cv2.resize(ramp, (width, height))
    return np.asarray(cv2.blendLinear(blurred, sharp, share, 1.0 - share), np.uint8)


def sensor(image: Image, spec: Augment, camera: bool, rng: np.random.Generator) -> Image:
    """Sensor noise, sharpening and JPEG."""
    if spec.noise <= 0:
        return image
    if rng.random() < 0.7:
        most = (9.0 if camera else 4.0) * (0.35 + 0.65 * float(image[::16, ::16].mean()) / 255.0)
        image = _noisy(image, spec.noise * most * rng.random() ** 1.5, rng)
    if rng.random() < 0.15:
        alpha = float(rng.uniform(0.1, 0.4))
        image = _run("Sharpen", image, rng, alpha=(alpha, alpha), lightness=(1.0, 1.0))
    if rng.random() < (0.7 if camera else 0.3):
        quality = int(rng.integers(45 if camera else 70, 97))
        image = _run("ImageCompression", image, rng, quality_range=(quality, quality))
    return image


def _noisy(image: Image, deviation: float, rng: np.random.Generator) -> Image:
    size = (image.shape[1], image.shape[0])
    grain = float(rng.uniform(0.8, 1.8))
    luma = texture("grain", size, grain, rng) * np.float32(deviation)
    if rng.random() < 0.5:
        planes = [luma] * 3
    else:
        planes = [luma + texture("grain", size, grain, rng) * np.float32(0.4 * deviation)] * 2
        planes.append(luma)
    return np.asarray(cv2.add(image, cv2.merge(planes), dtype=cv2.CV_8U), np.uint8)


def _run(name: str, image: Image, rng: np.random.Generator, **options: Any) -> Image:
    """One transform of albumentations by its name, seeded from `rng`.

    Imported here, since the light install composes the demo's plain pages without the library.
    """
    import albumentations

    transform = getattr(albumentations, name)(p=1.0, **options)
    seeded = albumentations.Compose([transform], seed=int(rng.integers(1 << 31)))
    out: Image = seeded(image=image)["image"]
    return out


def greyed(image: Image) -> Image:
    """The same picture without colour, still (H, W, 3)."""
    return np.asarray(
        cv2.cvtColor(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY), cv2.COLOR_GRAY2RGB), np.uint8
    )

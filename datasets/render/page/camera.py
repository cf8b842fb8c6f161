"""Optics and sensor: exposure, colour balance, focus, motion, noise, coarse pixels, JPEG.

Positions never change here: the geometry of the sheet is in `geometry.py`. Only this module knows
albumentations; it is imported where it is called, since the light install composes the demo's plain
pages without it.
"""

from __future__ import annotations

import os
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.render.page.light import draw_light_colour
from crownlet.datasets.render.page.spec import Augment
from crownlet.datasets.render.page.textures import Field, crop_halved_texture, crop_texture

Image = npt.NDArray[np.uint8]

MIN_PEN_PX = 5.0
"""Fewest px to a pen that an enlarged picture was taken with: coarser letters are not letters."""

LUMA_SHARES = (0.299, 0.587, 0.114)
"""Red, green and blue in the luminance of a picture (ITU-R BT.601)."""

SPARED_PEN_PX = 8.0
"""px to a pen below which blur and JPEG spare the letters: a human would hardly read them."""


os.environ.setdefault("NO_ALBUMENTATIONS_UPDATE", "1")


def apply_sensor(
    image: Image, q: float, spec: Augment, camera: bool, rng: np.random.Generator
) -> Image:
    """Sensor noise and what telephones do about it, sharpening, coarse pixels and JPEG.

    Two pictures of a camera in five were scaled down after all that and saved well: they show the
    noise last, each px for itself.
    """
    if spec.noise <= 0:
        return image
    if camera and rng.random() < 0.4:
        image = _compress_for_sending(image, max(60, _draw_jpeg_quality(q, camera, rng)), rng)
        return _add_noise(image, spec.noise, camera, rng)
    if rng.random() < (0.85 if camera else 0.6):
        image = _add_noise(image, spec.noise, camera, rng)
        if camera and q > 10 and rng.random() < 0.15:
            image = np.asarray(cv2.medianBlur(image, 3), np.uint8)
    if rng.random() < 0.15:
        image = _sharpen(image, float(rng.uniform(0.3, 1.2)), rng)
    coarse = max(MIN_PEN_PX / q, float(rng.uniform(0.3, 0.9)))
    if camera and coarse < 0.95 and rng.random() < 0.2 * spec.noise:
        return _enlarge(image, coarse, rng)
    if rng.random() < (0.7 if camera else 0.3):
        image = _compress_for_sending(image, _draw_jpeg_quality(q, camera, rng), rng)
    return image


def _add_noise(image: Image, strength: float, camera: bool, rng: np.random.Generator) -> Image:
    most = (9.0 if camera else 4.0) * (0.35 + 0.65 * float(image[::16, ::16].mean()) / 255.0)
    least = 1.6 if camera else 0.2
    return _add_sensor_noise(image, strength * (least + most * rng.random() ** 1.5), rng)


def _compress_for_sending(image: Image, quality: int, rng: np.random.Generator) -> Image:
    """Compressed; a third of the pictures while they were larger, so that no blocks show."""
    if rng.random() >= 0.35:
        return _compress(image, quality)
    size = (image.shape[1], image.shape[0])
    more = float(rng.uniform(1.25, 1.7))
    large = cv2.resize(image, None, fx=more, fy=more, interpolation=cv2.INTER_LINEAR)
    large = _compress(np.asarray(large, np.uint8), quality)
    return np.asarray(cv2.resize(large, size, interpolation=cv2.INTER_AREA), np.uint8)


def _draw_jpeg_quality(q: float, camera: bool, rng: np.random.Generator) -> int:
    """JPEG quality: down to 20 for photographs that were sent on, to 60 for scans.

    Four in ten are hardly compressed, as pictures come from a camera, and keep all their noise.
    """
    if rng.random() < 0.4:
        return int(rng.integers(90, 99))
    least = (20 if q >= SPARED_PEN_PX else 50) if camera else 60
    return int(least + (97 - least) * rng.random() ** 0.4)


def _compress(image: Image, quality: int) -> Image:
    if image.ndim == 2:
        _, data = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, quality])
        return np.asarray(cv2.imdecode(data, cv2.IMREAD_GRAYSCALE), np.uint8)
    bgr = cv2.cvtColor(image, cv2.COLOR_RGB2BGR)
    _, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])
    decoded = np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8)
    return np.asarray(cv2.cvtColor(decoded, cv2.COLOR_BGR2RGB), np.uint8)


def _sharpen(image: Image, amount: float, rng: np.random.Generator) -> Image:
    """Unsharp mask, as telephones and scanning programs apply it."""
    soft = cv2.GaussianBlur(image, (0, 0), float(rng.uniform(0.7, 2.0)))
    return np.asarray(cv2.addWeighted(image, 1.0 + amount, soft, -amount, 0.0), np.uint8)


def _enlarge(image: Image, coarse: float, rng: np.random.Generator) -> Image:
    """Taken from afar and enlarged: `coarse` of the px, compressed before or after."""
    size = (image.shape[1], image.shape[0])
    small = (max(1, round(size[0] * coarse)), max(1, round(size[1] * coarse)))
    image = np.asarray(cv2.resize(image, small, interpolation=cv2.INTER_AREA), np.uint8)
    before = rng.random() < 0.6
    quality = max(50, _draw_jpeg_quality(MIN_PEN_PX, True, rng))
    if before:
        image = _compress(image, quality)
    mode = cv2.INTER_CUBIC if rng.random() < 0.5 else cv2.INTER_LINEAR
    image = np.asarray(cv2.resize(image, size, interpolation=mode), np.uint8)
    return image if before else _compress(image, quality)


def _add_sensor_noise(image: Image, deviation: float, rng: np.random.Generator) -> Image:
    """Noise of the whole sensor, and with most pictures of each colour for itself, blue most."""
    size = (image.shape[1], image.shape[0])
    crop = crop_halved_texture if image.ndim == 2 else crop_texture
    grain = float(np.exp(rng.uniform(np.log(0.5), np.log(1.5))))
    luma = crop("grain", size, grain, rng) * np.float32(deviation)
    if rng.random() < 0.6:  # of each pixel for itself, as where no programme smoothed the picture
        fine = deviation * float(rng.uniform(0.2, 0.9))
        luma += crop("white", size, 0.7, rng) * np.float32(fine)
    planes = [luma] * 3
    if rng.random() < 0.65 and image.ndim == 3:
        coarse = grain * float(rng.uniform(1.0, 3.0))  # blotches, where the colour is thinned out
        for channel, share in ((0, 0.5), (2, float(rng.uniform(0.6, 2.0)))):
            own = crop("grain", size, coarse, rng) * np.float32(share * deviation)
            planes[channel] = luma + own
    noise = luma if image.ndim == 2 else cv2.merge(planes)
    return np.asarray(cv2.add(image, noise, dtype=cv2.CV_8U), np.uint8)


def defocus(image: Image, radius: int, rng: np.random.Generator) -> Image:
    """Each point a disc of `radius` px, as a lens out of focus makes it."""
    return _run_transform("Defocus", image, rng, radius=(radius, radius), alias_blur=(0.3, 0.3))


def blur_by_motion(image: Image, length: float, rng: np.random.Generator) -> Image:
    """Motion blur of about `length` px, 15 at most, in any direction."""
    side = 2 * int(np.clip(round(length / 2), 1, 7)) + 1
    turn = float(rng.uniform(0.0, 180.0))
    return _run_transform(
        "MotionBlur", image, rng,
        blur_limit=(side, side), angle_range=(turn, turn), allow_shifted=False,
    )  # fmt: skip


def _run_transform(name: str, image: Image, rng: np.random.Generator, **options: Any) -> Image:
    """One transform of albumentations by its name, seeded from `rng`."""
    import albumentations

    transform = getattr(albumentations, name)(p=1.0, **options)
    seeded = albumentations.Compose([transform], seed=int(rng.integers(1 << 31)))
    out: Image = seeded(image=image)["image"]
    return out


def expose(page: Field, strength: float, rng: np.random.Generator) -> Image:
    """Float light to uint8 with the exposure, contrast and colour cast of a careless camera.

    Of a grey page, (H, W), the light's colour is in the greys already (`draw_gray_weights`).
    """
    if strength <= 0:
        return np.clip(np.rint(page), 0, 255).astype(np.uint8)
    gain = np.exp(strength * rng.normal(-0.12, 0.35))
    # Cameras meter: bare skin ends below white but for one page in ten.
    some = page[::16, ::16]
    bright = float(np.quantile(some if page.ndim == 2 else some.max(axis=2), 0.8)) * gain
    ceiling = 300.0 if rng.random() < 0.1 else float(rng.uniform(190.0, 250.0))
    gain *= min(max(1.0, 82.0 / max(bright, 1.0)), ceiling / max(bright, 1.0))
    # Stray light in the lens has no colour of the skin's: ink stays grey on yellow skin.
    lift = strength * rng.uniform(3, 28)
    gain *= 1 - lift / 255
    if page.ndim == 2:
        image = cv2.convertScaleAbs(np.maximum(page, -lift / gain), alpha=gain, beta=lift)
    else:
        scale = draw_light_colour(strength, rng) * np.float32(gain)
        if rng.random() < 0.9:
            _limit_skin_colour(scale, np.median(some.reshape(-1, 3), axis=0))
        # A matrix at once scales and lifts the channels, much quicker than numpy does.
        mixed = cv2.transform(page, np.column_stack([np.diag(scale), np.full(3, lift, np.float32)]))
        image = cv2.convertScaleAbs(np.maximum(mixed, 0.0, out=mixed))
    gamma = float(np.exp(strength * rng.normal(0, 0.15)))
    table = np.clip(np.rint(255 * (np.arange(256) / 255) ** gamma), 0, 255).astype(np.uint8)
    return np.asarray(cv2.LUT(image, table), np.uint8)


def draw_gray_weights(skin: Field, strength: float, rng: np.random.Generator) -> Field:
    """Shares of red, green and blue, (3,) of sum 1, in the grey of a picture of `skin` (3,) taken
    in coloured light."""
    scale = draw_light_colour(strength, rng) if strength > 0 else np.ones(3, np.float32)
    if rng.random() < 0.9:
        _limit_skin_colour(scale, skin)
    weights = scale * np.array(LUMA_SHARES, np.float32)
    return np.asarray(weights / weights.sum(), np.float32)


def _limit_skin_colour(scale: Field, skin: Field) -> None:
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


def apply_optics(
    image: Image, q: float, spec: Augment, camera: bool, rng: np.random.Generator
) -> Image:
    """Focus and motion blur; never wider than a sixth of a pen, so that letters stay letters.

    Small letters get less of it, an eighth.
    """
    if spec.blur <= 0:
        return image
    widest = (0.17 if q >= SPARED_PEN_PX else 0.12) * q * spec.blur * (1.0 if camera else 0.5)
    if rng.random() < 0.75:
        sigma = float(widest * rng.random() ** 2)
        blurred = _blur(image, sigma, rng) if sigma > 0.25 else image
        image = _vary_focus(image, blurred, rng) if camera and rng.random() < 0.4 else blurred
    if camera and rng.random() < 0.2:
        image = blur_by_motion(image, max(2.0, 2.0 * widest * rng.random()), rng)
    if camera and rng.random() < 0.25:
        image = _add_colour_fringes(image, rng)
    return image


def _blur(image: Image, sigma: float, rng: np.random.Generator) -> Image:
    """Gaussian for small blur; a disc, as lenses have it, for some of the rest."""
    if sigma > 1.2 and rng.random() < 0.5:
        return defocus(image, max(2, round(1.6 * sigma)), rng)
    return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma), np.uint8)


def _vary_focus(sharp: Image, blurred: Image, rng: np.random.Generator) -> Image:
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


def _add_colour_fringes(image: Image, rng: np.random.Generator) -> Image:
    """Lateral colour of a cheap lens: red and blue a px apart towards the frame."""
    height, width = image.shape[:2]
    planes = [
        np.asarray(p, np.uint8) for p in ([image] * 3 if image.ndim == 2 else cv2.split(image))
    ]
    shift = float(rng.uniform(0.3, 1.2)) * 2.0 / max(height, width)
    for channel, sign in ((0, 1.0), (2, -1.0)):
        k = 1.0 + sign * shift
        matrix = np.array([[k, 0, (1 - k) * width / 2], [0, k, (1 - k) * height / 2]])
        moved = cv2.warpAffine(
            planes[channel], matrix, (width, height), borderMode=cv2.BORDER_REPLICATE
        )
        planes[channel] = np.asarray(moved, np.uint8)
    if image.ndim == 2:
        red, green, blue = LUMA_SHARES
        outer = cv2.addWeighted(planes[0], red / (red + blue), planes[2], blue / (red + blue), 0)
        return np.asarray(cv2.addWeighted(image, green, outer, 1 - green, 0), np.uint8)
    return np.asarray(cv2.merge(planes), np.uint8)


def remove_colour(image: Image) -> Image:
    """The same picture without colour, still (H, W, 3) if it was."""
    if image.ndim == 2:
        return image
    return np.asarray(
        cv2.cvtColor(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY), cv2.COLOR_GRAY2RGB), np.uint8
    )

"""The sensor and what follows it: noise, coarse pixels, sharpening and JPEG."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.page.spec import Augment
from crownlet.datasets.page.textures import texture

Image = npt.NDArray[np.uint8]

LEAST_Q = 5.0
"""Fewest px to a pen that an enlarged picture was taken with: coarser letters are not letters."""
SMALL_Q = 8.0
"""px to a pen below which blur and JPEG spare the letters: a human would hardly read them."""


def sensor(image: Image, q: float, spec: Augment, camera: bool, rng: np.random.Generator) -> Image:
    """Sensor noise and what telephones do about it, sharpening, coarse pixels and JPEG.

    Two pictures of a camera in five were scaled down after all that and saved well: they show the
    noise last, each px for itself.
    """
    if spec.noise <= 0:
        return image
    if camera and rng.random() < 0.4:
        image = _sent_on(image, max(60, _quality(q, camera, rng)), rng)
        return _with_noise(image, spec.noise, camera, rng)
    if rng.random() < (0.85 if camera else 0.6):
        image = _with_noise(image, spec.noise, camera, rng)
        if camera and q > 10 and rng.random() < 0.15:
            image = np.asarray(cv2.medianBlur(image, 3), np.uint8)
    if rng.random() < 0.15:
        image = _sharpened(image, float(rng.uniform(0.3, 1.2)), rng)
    coarse = max(LEAST_Q / q, float(rng.uniform(0.3, 0.9)))
    if camera and coarse < 0.95 and rng.random() < 0.2 * spec.noise:
        return _enlarged(image, coarse, rng)
    if rng.random() < (0.7 if camera else 0.3):
        image = _sent_on(image, _quality(q, camera, rng), rng)
    return image


def _with_noise(image: Image, strength: float, camera: bool, rng: np.random.Generator) -> Image:
    most = (9.0 if camera else 4.0) * (0.35 + 0.65 * float(image[::16, ::16].mean()) / 255.0)
    least = 1.6 if camera else 0.2
    return _noisy(image, strength * (least + most * rng.random() ** 1.5), rng)


def _sent_on(image: Image, quality: int, rng: np.random.Generator) -> Image:
    """Compressed; a third of the pictures while they were larger, so that no blocks show."""
    if rng.random() >= 0.35:
        return _compressed(image, quality)
    size = (image.shape[1], image.shape[0])
    more = float(rng.uniform(1.25, 1.7))
    large = cv2.resize(image, None, fx=more, fy=more, interpolation=cv2.INTER_LINEAR)
    large = _compressed(np.asarray(large, np.uint8), quality)
    return np.asarray(cv2.resize(large, size, interpolation=cv2.INTER_AREA), np.uint8)


def _quality(q: float, camera: bool, rng: np.random.Generator) -> int:
    """JPEG quality: down to 20 for photographs that were sent on, to 60 for scans.

    Four in ten are hardly compressed, as pictures come from a camera, and keep all their noise.
    """
    if rng.random() < 0.4:
        return int(rng.integers(90, 99))
    least = (20 if q >= SMALL_Q else 50) if camera else 60
    return int(least + (97 - least) * rng.random() ** 0.4)


def _compressed(image: Image, quality: int) -> Image:
    bgr = cv2.cvtColor(image, cv2.COLOR_RGB2BGR)
    _, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])
    decoded = np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8)
    return np.asarray(cv2.cvtColor(decoded, cv2.COLOR_BGR2RGB), np.uint8)


def _sharpened(image: Image, amount: float, rng: np.random.Generator) -> Image:
    """Unsharp mask, as telephones and scanning programmes apply it."""
    soft = cv2.GaussianBlur(image, (0, 0), float(rng.uniform(0.7, 2.0)))
    return np.asarray(cv2.addWeighted(image, 1.0 + amount, soft, -amount, 0.0), np.uint8)


def _enlarged(image: Image, coarse: float, rng: np.random.Generator) -> Image:
    """Taken from afar and enlarged: `coarse` of the px, compressed before or after."""
    size = (image.shape[1], image.shape[0])
    small = (max(1, round(size[0] * coarse)), max(1, round(size[1] * coarse)))
    image = np.asarray(cv2.resize(image, small, interpolation=cv2.INTER_AREA), np.uint8)
    before = rng.random() < 0.6
    quality = max(50, _quality(LEAST_Q, True, rng))
    if before:
        image = _compressed(image, quality)
    mode = cv2.INTER_CUBIC if rng.random() < 0.5 else cv2.INTER_LINEAR
    image = np.asarray(cv2.resize(image, size, interpolation=mode), np.uint8)
    return image if before else _compressed(image, quality)


def _noisy(image: Image, deviation: float, rng: np.random.Generator) -> Image:
    """Noise of the whole sensor, and with most pictures of each colour for itself, blue most."""
    size = (image.shape[1], image.shape[0])
    grain = float(np.exp(rng.uniform(np.log(0.5), np.log(1.5))))
    luma = texture("grain", size, grain, rng) * np.float32(deviation)
    if rng.random() < 0.6:  # of each pixel for itself, as where no programme smoothed the picture
        fine = deviation * float(rng.uniform(0.2, 0.9))
        luma += texture("white", size, 0.7, rng) * np.float32(fine)
    planes = [luma] * 3
    if rng.random() < 0.65:
        coarse = grain * float(rng.uniform(1.0, 3.0))  # blotches, where the colour is thinned out
        for channel, share in ((0, 0.5), (2, float(rng.uniform(0.6, 2.0)))):
            own = texture("grain", size, coarse, rng) * np.float32(share * deviation)
            planes[channel] = luma + own
    return np.asarray(cv2.add(image, cv2.merge(planes), dtype=cv2.CV_8U), np.uint8)

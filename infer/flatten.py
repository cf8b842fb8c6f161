"""Even light: a page in any colour and lighting becomes dark ink on a flat ground.

Used in the same form by training and inference, so that the networks see one kind of picture.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

Gray = npt.NDArray[np.uint8]

GROUND = 224.0
"""Grey value to which the bare skin is brought."""
INK = 32.0
"""Grey value to which the darkest ink is brought."""


def to_gray(image: npt.NDArray[np.uint8]) -> Gray:
    """Luminance of an (H, W) or (H, W, 3) RGB uint8 image, as (H, W) uint8."""
    if image.ndim == 2:
        return image
    return np.asarray(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY), np.uint8)


def flatten(gray: Gray, body: float | None = None) -> Gray:
    """Divide out the ground and stretch the ink, so that skin is near 224 and ink near 32.

    `gray` is (H, W) uint8, `body` the body height of its letters in px if known: the ground is
    taken as the local upper grey level over about two bodies, wider than any stroke.
    """
    height, width = gray.shape
    reach = 2.0 * (body if body else max(32.0, min(height, width) / 12))
    step = max(1.0, reach / 16)
    size = (max(2, round(width / step)), max(2, round(height / step)))
    small = cv2.resize(gray, size, interpolation=cv2.INTER_AREA)
    ground = cv2.morphologyEx(
        cv2.medianBlur(small, 3),
        cv2.MORPH_CLOSE,
        cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (17, 17)),
        borderType=cv2.BORDER_REPLICATE,
    )
    ground = cv2.GaussianBlur(ground, (0, 0), 6.0, borderType=cv2.BORDER_REPLICATE)
    ground = cv2.resize(ground, (width, height), interpolation=cv2.INTER_LINEAR)
    ratio = cv2.divide(gray, np.maximum(ground, 8), scale=GROUND)
    # The darkest half percent may be speckle or frame; the dark mode of the ink lies above it.
    dark = float(np.percentile(ratio[:: max(1, height // 512), :: max(1, width // 512)], 2.0))
    if dark < GROUND - 24:
        gain = (GROUND - INK) / (GROUND - dark)
        lut = np.clip(GROUND - (GROUND - np.arange(256)) * gain, 0, 255).astype(np.uint8)
        ratio = cv2.LUT(ratio, lut)
    return np.asarray(ratio, np.uint8)

"""Even light: a page in any colour and lighting becomes dark ink on a ground of one grey.

Used in the same form by training and inference, so that the networks meet one kind of picture.
"""

from __future__ import annotations

import cv2
import numpy as np

from crownlet.datasets.files.images import Gray

SKIN_GREY = 224.0
"""Grey value to which the bare skin is brought."""

INK_GREY = 32.0
"""Grey value to which the darkest ink is brought."""


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
    # In place from here on: a page may have hundreds of megabytes.
    np.maximum(ground, 8, out=ground)
    ratio = cv2.divide(gray, ground, dst=ground, scale=SKIN_GREY)
    # The darkest half percent may be speckle or frame; the dark mode of the ink lies above it.
    dark = float(np.percentile(ratio[:: max(1, height // 512), :: max(1, width // 512)], 2.0))
    if dark < SKIN_GREY - 24:
        gain = (SKIN_GREY - INK_GREY) / (SKIN_GREY - dark)
        lut = np.clip(SKIN_GREY - (SKIN_GREY - np.arange(256)) * gain, 0, 255).astype(np.uint8)
        ratio = cv2.LUT(ratio, lut, dst=ratio)
    return np.asarray(ratio, np.uint8)

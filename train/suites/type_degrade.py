"""What a poor camera does to a type page: a turn, soft focus, grey ink, uneven light, noise."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.train.suites.type_truth import Turn

Image = npt.NDArray[np.uint8]

MAX_TURN = 1.5
"""Degrees."""
BLUR = (0.5, 1.2)
"""Standard deviation of the blur in px, at a body of 64 px; it scales with the body."""
NOISE = (2.0, 8.0)
"""Standard deviation in grey levels."""
CONTRAST = (0.45, 0.85)
"""Share of the contrast between ink and ground that is left."""


def draw_turn(size: tuple[int, int], rng: np.random.Generator) -> Turn:
    """A random slight turn about the middle of a page of (height, width) px."""
    degrees = float(rng.uniform(-MAX_TURN, MAX_TURN))
    matrix = cv2.getRotationMatrix2D((size[1] / 2, size[0] / 2), -degrees, 1.0)
    return Turn(np.asarray(matrix, np.float64), degrees)


def degrade(image: Image, turn: Turn, body: float, rng: np.random.Generator) -> Image:
    """The page, (H, W) or (H, W, 3), as a poor camera would show it; same shape."""
    ground = image[0, 0].astype(np.float64)
    # Turn maps px edges; OpenCV counts from px centres.
    matrix = turn.matrix.copy()
    matrix[:, 2] += matrix[:, :2] @ (0.5, 0.5) - 0.5
    turned = cv2.warpAffine(
        image, matrix, image.shape[1::-1], flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT, borderValue=np.atleast_1d(ground).tolist(),
    )  # fmt: skip
    soft = cv2.GaussianBlur(turned, (0, 0), rng.uniform(*BLUR) * body / 64).astype(np.float32)
    contrast = rng.uniform(*CONTRAST)
    faded = ground + (soft - ground) * contrast
    lit = faded * _light(image.shape[:2], rng)[(...,) + (None,) * (image.ndim - 2)]
    noisy = lit + rng.normal(0, rng.uniform(*NOISE), image.shape)
    return np.asarray(np.clip(np.round(noisy), 0, 255), np.uint8)


def _light(size: tuple[int, ...], rng: np.random.Generator) -> npt.NDArray[np.float32]:
    """Light over the page, (H, W), at most 1, falling off towards one side by up to a third."""
    y, x = np.linspace(0, 1, size[0]), np.linspace(0, 1, size[1])
    angle, loss = rng.uniform(0, 2 * np.pi), rng.uniform(0.05, 0.33)
    slope = np.cos(angle) * x[None, :] + np.sin(angle) * y[:, None]
    slope -= slope.min()
    return (1 - loss * slope / slope.max()).astype(np.float32)

"""Ruled lines: furrows pressed with a blunt point, without ink, as every scroll has them."""

from __future__ import annotations

import cv2
import numpy as np

from crownlet.datasets.page.skin import Polyline, draw_lines
from crownlet.datasets.page.textures import Field


def score_lines(
    tone: Field,
    lines: list[Polyline],
    borders: list[Polyline],
    q: float,
    strength: float,
    rng: np.random.Generator,
) -> None:
    """Press `lines` and `borders` (px) into `tone`, (H, W) about 1: a lit and a shaded bank.

    One page in four is ruled so hard that the furrow is the plainest mark beside the ink.
    """
    if strength <= 0 or not lines:
        return
    if rng.random() < 0.5:
        lines = lines + borders
    elif rng.random() < 0.15:
        lines = borders
    hard = rng.random() < 0.25
    mask = np.zeros(tone.shape, np.uint8)
    draw_lines(mask, lines, max(1, round(q * float(rng.uniform(0.04, 0.2 if hard else 0.12)))))
    blur = max(0.6, q * float(rng.uniform(0.03, 0.12)))
    soft = cv2.GaussianBlur(mask, (0, 0), blur).astype(np.float32)
    peak = np.float32(1.0 / max(1.0, float(soft.max())))
    most = 0.35 if hard else 0.14
    shade = np.float32(-strength * rng.uniform(0.3 * most, most)) * peak
    lit = np.float32(strength * rng.uniform(-0.1, 0.8) * most) * peak
    step = max(1, round(1.6 * blur))
    tone += shade * soft
    tone[step:] += lit * soft[:-step]

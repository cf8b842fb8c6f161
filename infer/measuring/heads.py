"""White between the heads of one letter, which must not touch (Mishnat Sofrim: tet, ayin, tsadi,
shin)."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np

from crownlet.infer.measuring.ink import LetterInk
from crownlet.infer.measuring.length import Length
from crownlet.infer.measuring.parting import nearest, white

HEADS = {"ט": 2, "ע": 2, "צ": 2, "ץ": 2, "ש": 3}
ZONE = (0.05, 0.9)
"""Rows of the heads in q below the ruled line: tags stand above, limbs meet below."""
LEAST = 0.12
"""A head shows at least so much ink there, in square q."""


def head_gaps(ink: LetterInk) -> list[Length]:
    """The white between each two neighbouring heads, q; one of 0 for each that is wanting."""
    top, foot = ink.y(ZONE[0]), ink.y(ZONE[1])
    zone = np.zeros_like(ink.own)
    zone[top:foot] = ink.own[top:foot]
    count, labels, stats, centres = cv2.connectedComponentsWithStats(zone, connectivity=8)
    heads = [k for k in range(1, count) if stats[k, cv2.CC_STAT_AREA] > LEAST * ink.scale**2]
    heads.sort(key=lambda k: float(centres[k][0]))
    found = []
    for a, b in pairwise(heads):
        near, far = nearest((labels == a).astype(np.uint8), (labels == b).astype(np.uint8))
        found.append(white(ink, "head_gap", "heads_touch", near, far))
    if len(heads) < HEADS[ink.letter] and heads:
        widest = max(heads, key=lambda k: int(stats[k, cv2.CC_STAT_WIDTH]))
        x, y, width, height = (int(v) for v in stats[widest][:4])
        point = np.array([x + width / 2, y + height / 2])
        found.append(Length("head_gap", "heads_touch", 0.0, point, point))
    return found

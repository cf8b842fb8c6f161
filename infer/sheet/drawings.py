"""Letters drawn by this program's own generator, as outlines (`exemplars.json`)."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.scribal.alphabet import BY_CHAR
from crownlet.datasets.scribal.customs import Customs, load_customs
from crownlet.infer.sheet.upright import Pixels

DRAWING_BY_STYLE = {
    "beit_yosef": "Beit Yosef",
    "arizal": "Arizal",
    "alter_rebbe": "Arizal",
    "vellish": "Vellish",
    "unspecified": "Beit Yosef",
}
"""The form drawn for each style of the customs; the Alter Rebbe's script is a variant of the
Arizal's (common practice, no printed source)."""

LETTER_GAP = 60
"""Between letters that are drawn as a word, in hundredths of a q of the drawings."""

BODY_HEIGHT = 300
"""From the ruled line to the base line of the drawings, in hundredths of a q."""

_EIGHTHS_SHIFT = 3
"""OpenCV takes points in eighths of a px."""


@dataclass(frozen=True)
class LetterDrawing:
    """An outline in hundredths of a q; x to the right, y down, y = 0 the ruled line."""

    path: str
    box: tuple[int, int, int, int]
    style: str
    """Name of the form drawn."""

    def view(self, size_q: tuple[float, float]) -> str:
        """An SVG viewBox of `size_q` (width, height in q) about the middle of the letter."""
        x0, y0, x1, y1 = self.box
        width, height = (round(100 * v) for v in size_q)
        return f"{(x0 + x1 - width) // 2} {(y0 + y1 - height) // 2} {width} {height}"


def read_drawing(char: str, customs: Customs) -> LetterDrawing:
    """The drawing of a letter in the style that the customs name, else in the Beit Yosef form."""
    name = DRAWING_BY_STYLE[customs.style]
    entry = _load_drawings()["styles"][name.lower().replace(" ", "_")][BY_CHAR[char].slug]
    x0, y0, x1, y1 = entry["box"]
    return LetterDrawing(entry["d"], (x0, y0, x1, y1), name)


@cache
def _load_drawings() -> dict[str, Any]:
    source = resources.files("crownlet.infer.sheet") / "exemplars.json"
    table: dict[str, Any] = json.loads(source.read_text(encoding="utf-8"))
    return table


def draw_word(
    word: str, body_px: float, ink: tuple[int, int, int], ground: tuple[int, int, int]
) -> Pixels:
    """A word (H, W, 3) in RGB, from right to left, its letters `body_px` high without their tags.

    In the Beit Yosef form; KeyError for anything but the 27 letters.
    """
    scale = body_px / BODY_HEIGHT
    drawings = [read_drawing(char, load_customs()) for char in word]
    top = min(drawing.box[1] for drawing in drawings)
    foot = max(drawing.box[3] for drawing in drawings)
    wide = sum(d.box[2] - d.box[0] + LETTER_GAP for d in drawings)
    size = round((foot - top) * scale) + 2, round(wide * scale) + 2
    picture = np.full((*size, 3), ground, np.uint8)
    right = wide - LETTER_GAP / 2
    for drawing in drawings:
        left = right - (drawing.box[2] - drawing.box[0])
        move = np.array([left - drawing.box[0], -top])
        rings = [
            np.round(((ring + move) * scale + 1) * 2**_EIGHTHS_SHIFT)
            for ring in outline_rings(drawing.path)
        ]
        # Rings inside others are holes, as even and odd.
        points = [ring.astype(np.int32) for ring in rings]
        cv2.fillPoly(picture, points, ink, cv2.LINE_AA, _EIGHTHS_SHIFT)
        right = left - LETTER_GAP
    return picture


def outline_rings(path: str) -> list[npt.NDArray[np.float64]]:
    """The closed rings of an outline of `M`, `l` and `z`, each (N, 2) points."""
    rings = []
    for ring in path.split("z"):
        if numbers := [float(n) for n in re.findall(r"-?[\d.]+", ring)]:
            steps = np.array(numbers).reshape(-1, 2)
            rings.append(np.cumsum(steps, axis=0))
    return rings

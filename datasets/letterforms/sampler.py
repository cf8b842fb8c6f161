"""Draws the sheet of all 27 letters in three styles: `python -m ...letterforms.sampler OUT.png`."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image

from crownlet.datasets.letterforms.build import build
from crownlet.datasets.letterforms.glyph import Glyph
from crownlet.datasets.letterforms.hand import Hand
from crownlet.datasets.letterforms.tags import THREE_TAGGED, crown_letter

ROWS = ("אבגדהוזחטיכךלמ", "םנןסעפףצץקרשת")
HANDS = {
    "Beit Yosef": Hand(
        seed=12, style="beit_yosef", horizontal=0.92, vertical=0.66, flare=0.14, corner=0.1,
        taper=0.65, head_tilt=2, tag_form="flame", tag_height=1.0, jitter=0.3,
    ),
    "Arizal": Hand(
        seed=27, style="arizal", horizontal=0.9, vertical=0.6, flare=0.2, corner=0.06, taper=0.75,
        pen_angle=27, head_tilt=4, tag_form="headed", tag_height=0.85, jitter=0.3, slant=1.0,
    ),
    "Vellish": Hand(
        seed=55, style="vellish", width=0.94, horizontal=0.86, vertical=0.58, flare=0.06,
        corner=0.2, taper=0.5, pen_angle=14, tag_form="wedge", tag_height=0.75, jitter=0.4,
    ),
}  # fmt: skip
"""An invented hand for each style."""

Picture = npt.NDArray[np.uint8]
_FINE = 4
_ROW, _CELL, _MARGIN, _TOP = 7.3, 3.72, 1.2, 4.6
_SKIN, _INK = (246, 239, 223), (33, 27, 23)


def sheet(q: float = 20.0, seed: int = 18) -> Picture:
    """The sheet as RGB, its pen `q` px wide; the same bytes for the same arguments."""
    rng = np.random.default_rng(seed)
    width = int((len(ROWS[0]) * _CELL + 2 * _MARGIN) * q)
    height = int((len(HANDS) * len(ROWS) * _ROW + 2 * _MARGIN) * q)
    ink = np.zeros((height * _FINE, width * _FINE), np.uint8)
    top = _TOP
    for hand in HANDS.values():
        for row in ROWS:
            for place, letter in enumerate(row):
                glyph = crowned(letter, hand, rng)
                x = width / q - _MARGIN - (place + 0.5) * _CELL - glyph.advance / 2
                _fill(ink, glyph, (x, top), q * _FINE)
            top += _ROW
    return _inked(ink, (width, height), q)


def crowned(letter: str, hand: Hand, rng: np.random.Generator) -> Glyph:
    """The letter with the tags that go on it by custom."""
    glyph = build(letter, hand, rng)
    if glyph.crown is None:
        return glyph
    count = 3 if letter in THREE_TAGGED else 2 if letter == "ל" else 1
    return crown_letter(glyph, hand, rng, count)


def _fill(ink: Picture, glyph: Glyph, place: tuple[float, float], scale: float) -> None:
    """Fill the glyph's parts with ink, `place` in q, `scale` in px a pen."""
    for part in glyph.parts:
        points = np.round((part.outline + place) * scale * 16).astype(np.int32)
        cv2.fillPoly(ink, [points], 255, cv2.LINE_8, 4)


def _inked(ink: Picture, size: tuple[int, int], q: float) -> Picture:
    """Ink as it lies on skin: softened at its edge, drawn back to the size asked for."""
    soft = cv2.GaussianBlur(ink, (0, 0), 0.05 * q * _FINE)
    sharp = np.clip((soft.astype(np.float32) - 70) * (255 / 115), 0, 255).astype(np.uint8)
    cover = (
        cv2.resize(sharp, size, interpolation=cv2.INTER_AREA).astype(np.float32)[..., None] / 255
    )
    skin, black = np.array(_SKIN, np.float32), np.array(_INK, np.float32)
    return np.asarray(np.round(skin * (1 - cover) + black * cover), np.uint8)


def main(argv: Sequence[str] | None = None) -> int:
    """Write the sheet to the file named on the command line."""
    parser = argparse.ArgumentParser(description="Draw all 27 letters in three styles.")
    parser.add_argument("out", type=Path, help="PNG file to write")
    out: Path = parser.parse_args(argv).out
    image = Image.fromarray(sheet()).quantize(32, dither=Image.Dither.NONE)
    image.save(out, format="PNG", optimize=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())

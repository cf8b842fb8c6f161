"""The sheet of all 27 letters in three styles, and the well-formed examples of the triage sheet.

python -m crownlet.datasets.render.letterforms.sampler OUT.png
python -m crownlet.datasets.render.letterforms.sampler OUT.json
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image

from crownlet.datasets.render.letterforms.build import build
from crownlet.datasets.render.letterforms.glyph import Glyph
from crownlet.datasets.render.letterforms.hand import STYLES, Hand, Style
from crownlet.datasets.render.letterforms.tags import THREE_TAGGED, crown_letter
from crownlet.datasets.scribal.alphabet import ALPHABET

ROWS = ("אבגדהוזחטיכךלמ", "םנןסעפףצץקרשת")

FINE = 240
"""px of a kulmus in the raster from which outlines are taken."""

SOFT = 0.03
"""q of softening, which rounds corners as a pen does; less than half of any joint or gap."""

EXACT = 0.005
"""q by which an outline may be simplified: half of what the file can say."""

UNIT = 100
"""Whole numbers of the paths in one q."""

_ORIGIN, _WIDE, _HIGH = np.array([2.0, 5.5]), 9.0, 14.0
"""The raster in q: where the glyph's origin lies, and its size."""

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


def model_hand(style: Style) -> Hand:
    """The hand without habits (seed 0), steady, with crowns as tiny zayins, in this style.

    Proportions are those of Mishnat Sofrim: roofs of one pen, bodies of three.
    """
    return Hand(
        seed=0, style=style, horizontal=0.92, vertical=0.64, flare=0.14, corner=0.06, taper=0.7,
        head_tilt=0.0 if style == "vellish" else 2.0, tag_form="headed", tag_height=0.95,
        tag_width=0.15, tag_fan=8.0, jitter=0.0, rough=0.0,
    )  # fmt: skip


def drawing(letter: str, style: Style) -> Glyph:
    """The letter with every tag that is customary on it, lamed's two included."""
    rng = np.random.default_rng(0)
    hand = model_hand(style)
    glyph = build(letter, hand, rng)
    crown = next(known.crown for known in ALPHABET if known.char == letter)
    return crown_letter(glyph, hand, rng, 2 if letter == "ל" else crown)


def outlines(glyph: Glyph) -> list[npt.NDArray[np.int64]]:
    """The ink's outlines, holes among them by the even-odd rule, in hundredths of a q (N, 2)."""
    ink = np.zeros((round(_HIGH * FINE), round(_WIDE * FINE)), np.uint8)
    for part in glyph.parts:
        cv2.fillPoly(ink, [_raster(part.outline)], 255)
    for cut in glyph.cuts:
        cv2.fillPoly(ink, [_raster(cut)], 0)
    soft = cv2.GaussianBlur(ink, (0, 0), SOFT * FINE)
    mask = (soft > 127).astype(np.uint8)
    rings, _ = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    rings = sorted(rings, key=lambda ring: -cv2.contourArea(ring))
    simple = [
        np.asarray(cv2.approxPolyDP(ring, EXACT * FINE, True)[:, 0], np.float64) for ring in rings
    ]
    # The middle of a pixel is half a pixel right of and below its corner.
    return [_units(ring + 0.5) for ring in simple if len(ring) > 3]


def _raster(points: npt.NDArray[np.float64]) -> npt.NDArray[np.int32]:
    return np.round((points + _ORIGIN) * FINE).astype(np.int32)


def _units(points: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
    return np.round((points / FINE - _ORIGIN) * UNIT).astype(np.int64)


def path(rings: Sequence[npt.NDArray[np.int64]]) -> str:
    """SVG path data of closed outlines, relative steps."""
    return "".join(_ring(ring) for ring in rings)


def _ring(points: npt.NDArray[np.int64]) -> str:
    steps = [(x, y) for x, y in np.diff(points, axis=0) if x or y]
    told = " ".join(f"{x} {y}" for x, y in steps).replace(" -", "-")
    return f"M{points[0][0]} {points[0][1]}l{told}z"


def exemplars() -> dict[str, dict[str, dict[str, object]]]:
    """By style and slug: path data and bounding box, in hundredths of a q."""
    table: dict[str, dict[str, dict[str, object]]] = {}
    for style in STYLES:
        table[style] = {}
        for letter in ALPHABET:
            rings = outlines(drawing(letter.char, style))
            points = np.concatenate(rings)
            box = [*points.min(axis=0).tolist(), *points.max(axis=0).tolist()]
            table[style][letter.slug] = {"d": path(rings), "box": box}
    return table


def main(argv: Sequence[str] | None = None) -> int:
    """Write the file named on the command line: a PNG of the sheet, or a JSON of the examples."""
    parser = argparse.ArgumentParser(
        description="Draw all 27 letters in three styles, or a well-formed example of each form."
    )
    parser.add_argument("out", type=Path, help="PNG of the sheet, or JSON of the examples")
    out: Path = parser.parse_args(argv).out
    if out.suffix == ".json":
        text = json.dumps({"unit": UNIT, "styles": exemplars()}, indent=0, sort_keys=True)
        out.write_text(text + "\n", encoding="utf-8")
    else:
        image = Image.fromarray(sheet()).quantize(32, dither=Image.Dither.NONE)
        image.save(out, format="PNG", optimize=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())

"""The sheet of all 27 letters in three styles, and the well-formed examples of the triage sheet.

    python -m crownlet.datasets.render.letterforms.sampler OUT.png
    python -m crownlet.datasets.render.letterforms.sampler OUT.json

The examples are outlines of each letter in each style. Triage sheets read them from the file and
show them beside findings, so that a sheet needs no renderer.
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

from crownlet.datasets.render.letterforms.build import build_letter
from crownlet.datasets.render.letterforms.glyph import Glyph
from crownlet.datasets.render.letterforms.hand import STYLES, Hand, Style
from crownlet.datasets.render.letterforms.tags import THREE_TAGGED, crown_letter
from crownlet.datasets.scribal.alphabet import ALPHABET

LETTER_ROWS = ("אבגדהוזחטיכךלמ", "םנןסעפףצץקרשת")

RASTER_PEN_PX = 240
"""px of a kulmus in the raster from which outlines are taken."""

SOFTENING_Q = 0.03
"""q of softening, which rounds corners as a pen does; less than half of any joint or gap."""

SIMPLIFICATION_Q = 0.005
"""q by which an outline may be simplified: half of what the file can say."""

UNITS_PER_Q = 100
"""Whole numbers of the paths in one q."""

_ORIGIN_Q, _RASTER_WIDTH_Q, _RASTER_HEIGHT_Q = np.array([2.0, 5.5]), 9.0, 14.0
"""The raster in q: where the glyph's origin lies, and its size."""

SAMPLE_HANDS = {
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

_OVERSAMPLING = 4

_ROW_Q, _CELL_Q, _MARGIN_Q, _TOP_Q = 7.3, 3.95, 1.2, 4.6

_SKIN_RGB, _INK_RGB = (246, 239, 223), (33, 27, 23)


def draw_sheet(q: float = 20.0, seed: int = 18) -> Picture:
    """The sheet as RGB, its pen `q` px wide; the same bytes for the same arguments."""
    rng = np.random.default_rng(seed)
    width = int((len(LETTER_ROWS[0]) * _CELL_Q + 2 * _MARGIN_Q) * q)
    height = int((len(SAMPLE_HANDS) * len(LETTER_ROWS) * _ROW_Q + 2 * _MARGIN_Q) * q)
    ink = np.zeros((height * _OVERSAMPLING, width * _OVERSAMPLING), np.uint8)
    top = _TOP_Q
    for hand in SAMPLE_HANDS.values():
        for row in LETTER_ROWS:
            for place, letter in enumerate(row):
                glyph = build_crowned(letter, hand, rng)
                x = width / q - _MARGIN_Q - (place + 0.5) * _CELL_Q - glyph.advance / 2
                _fill_glyph(ink, glyph, (x, top), q * _OVERSAMPLING)
            top += _ROW_Q
    return _soften_ink(ink, (width, height), q)


def build_crowned(letter: str, hand: Hand, rng: np.random.Generator) -> Glyph:
    """The letter with the tags that go on it by custom."""
    glyph = build_letter(letter, hand, rng)
    if glyph.crown is None:
        return glyph
    count = 3 if letter in THREE_TAGGED else 2 if letter == "ל" else 1
    return crown_letter(glyph, hand, rng, count)


def _fill_glyph(ink: Picture, glyph: Glyph, place: tuple[float, float], scale: float) -> None:
    """Fill the glyph's parts with ink, `place` in q, `scale` in px a pen."""
    for part in glyph.parts:
        points = np.round((part.outline + place) * scale * 16).astype(np.int32)
        cv2.fillPoly(ink, [points], 255, cv2.LINE_8, 4)


def _soften_ink(ink: Picture, size: tuple[int, int], q: float) -> Picture:
    """Ink as it lies on skin: softened at its edge, drawn back to the size asked for."""
    soft = cv2.GaussianBlur(ink, (0, 0), 0.05 * q * _OVERSAMPLING)
    sharp = np.clip((soft.astype(np.float32) - 70) * (255 / 115), 0, 255).astype(np.uint8)
    cover = (
        cv2.resize(sharp, size, interpolation=cv2.INTER_AREA).astype(np.float32)[..., None] / 255
    )
    skin, black = np.array(_SKIN_RGB, np.float32), np.array(_INK_RGB, np.float32)
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


def draw_exemplar(letter: str, style: Style) -> Glyph:
    """The letter with every tag that is customary on it, lamed's two included."""
    rng = np.random.default_rng(0)
    hand = model_hand(style)
    glyph = build_letter(letter, hand, rng)
    crown = next(known.crown for known in ALPHABET if known.char == letter)
    return crown_letter(glyph, hand, rng, 2 if letter == "ל" else crown)


def ink_outlines(glyph: Glyph) -> list[npt.NDArray[np.int64]]:
    """The ink's outlines, holes among them by the even-odd rule, in hundredths of a q (N, 2)."""
    ink = np.zeros(
        (round(_RASTER_HEIGHT_Q * RASTER_PEN_PX), round(_RASTER_WIDTH_Q * RASTER_PEN_PX)), np.uint8
    )
    for part in glyph.parts:
        cv2.fillPoly(ink, [_to_raster(part.outline)], 255)
    for cut in glyph.cuts:
        cv2.fillPoly(ink, [_to_raster(cut)], 0)
    soft = cv2.GaussianBlur(ink, (0, 0), SOFTENING_Q * RASTER_PEN_PX)
    mask = (soft > 127).astype(np.uint8)
    rings, _ = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    rings = sorted(rings, key=lambda ring: -cv2.contourArea(ring))
    simple = [
        np.asarray(cv2.approxPolyDP(ring, SIMPLIFICATION_Q * RASTER_PEN_PX, True)[:, 0], np.float64)
        for ring in rings
    ]
    # The middle of a pixel is half a pixel right of and below its corner.
    return [_to_units(ring + 0.5) for ring in simple if len(ring) > 3]


def _to_raster(points: npt.NDArray[np.float64]) -> npt.NDArray[np.int32]:
    pixels: npt.NDArray[np.int32] = np.round((points + _ORIGIN_Q) * RASTER_PEN_PX).astype(np.int32)
    return pixels


def _to_units(points: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
    units: npt.NDArray[np.int64] = np.round(
        (points / RASTER_PEN_PX - _ORIGIN_Q) * UNITS_PER_Q
    ).astype(np.int64)
    return units


def path_data(rings: Sequence[npt.NDArray[np.int64]]) -> str:
    """SVG path data of closed outlines, relative steps."""
    return "".join(_ring_path(ring) for ring in rings)


def _ring_path(points: npt.NDArray[np.int64]) -> str:
    steps = [(x, y) for x, y in np.diff(points, axis=0) if x or y]
    path = " ".join(f"{x} {y}" for x, y in steps).replace(" -", "-")
    return f"M{points[0][0]} {points[0][1]}l{path}z"


def make_exemplars() -> dict[str, dict[str, dict[str, object]]]:
    """By style and slug: path data and bounding box, in hundredths of a q."""
    table: dict[str, dict[str, dict[str, object]]] = {}
    for style in STYLES:
        table[style] = {}
        for letter in ALPHABET:
            rings = ink_outlines(draw_exemplar(letter.char, style))
            points = np.concatenate(rings)
            box = [*points.min(axis=0).tolist(), *points.max(axis=0).tolist()]
            table[style][letter.slug] = {"d": path_data(rings), "box": box}
    return table


def main(argv: Sequence[str] | None = None) -> int:
    """Write the file named on the command line: a PNG of the sheet, or a JSON of the examples."""
    parser = argparse.ArgumentParser(
        description="Draw all 27 letters in three styles, or a well-formed example of each form."
    )
    parser.add_argument("out", type=Path, help="PNG of the sheet, or JSON of the examples")
    out: Path = parser.parse_args(argv).out
    if out.suffix == ".json":
        text = json.dumps(
            {"unit": UNITS_PER_Q, "styles": make_exemplars()}, indent=0, sort_keys=True
        )
        out.write_text(text + "\n", encoding="utf-8")
    else:
        image = Image.fromarray(draw_sheet()).quantize(32, dither=Image.Dither.NONE)
        image.save(out, format="PNG", optimize=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())

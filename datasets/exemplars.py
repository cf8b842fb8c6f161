"""Draws a well-formed letter of each form and style once, as outlines that any page can show.

`python -m crownlet.datasets.exemplars infer/sheet/exemplars.json`. Sheets show them beside what was
found; they are read from the file, so that a sheet needs neither the renderer nor shapely.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np
from shapely import Polygon, make_valid, unary_union
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from crownlet.datasets.alphabet import ALPHABET
from crownlet.datasets.letterforms.build import build
from crownlet.datasets.letterforms.glyph import Glyph
from crownlet.datasets.letterforms.hand import STYLES, Hand, Style
from crownlet.datasets.letterforms.tags import crown_letter

SOFT = 0.035
"""q by which ink rounds an outer corner and fills an inner one; less than any joint or gap."""
EXACT = 0.006
"""q by which an outline may be simplified: half of what the file's two decimals can say."""
UNIT = 100
"""Whole numbers of the paths in one q."""


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


def outline(glyph: Glyph) -> BaseGeometry:
    """The ink of a glyph in q, its corners as soft as a pen leaves them."""
    ink = unary_union([_solid(part.outline) for part in glyph.parts])
    if glyph.cuts:
        ink = ink.difference(unary_union([_solid(cut) for cut in glyph.cuts]))
    # Opened, the thin strokes would go; so ink is rounded by closing and then only shaved.
    closed = ink.buffer(SOFT, quad_segs=6).buffer(-SOFT, quad_segs=6)
    return closed.simplify(EXACT)


def _solid(points: Sequence[Sequence[float]]) -> BaseGeometry:
    return make_valid(Polygon(points)).buffer(0)


def path(shape: BaseGeometry) -> str:
    """SVG path data in hundredths of a q, holes by the even-odd rule."""
    polygons = [g for g in getattr(shape, "geoms", [shape]) if isinstance(g, Polygon)]
    rings = [ring for p in map(orient, polygons) for ring in (p.exterior, *p.interiors)]
    return "".join(_ring(ring.coords) for ring in rings)


def _ring(points: Iterable[tuple[float, ...]]) -> str:
    whole = np.round(np.asarray(list(points))[:-1, :2] * UNIT).astype(int)
    steps = np.diff(whole, axis=0)
    start = f"M{whole[0][0]} {whole[0][1]}"
    return start + "l" + " ".join(f"{x} {y}" for x, y in steps if x or y).replace(" -", "-") + "z"


def exemplars() -> dict[str, dict[str, dict[str, object]]]:
    """By style and slug: path data, bounding box and advance, all in hundredths of a q."""
    table: dict[str, dict[str, dict[str, object]]] = {}
    for style in STYLES:
        table[style] = {}
        for letter in ALPHABET:
            glyph = drawing(letter.char, style)
            shape = outline(glyph)
            box = [round(v * UNIT) for v in shape.bounds]
            table[style][letter.slug] = {"d": path(shape), "box": box}
    return table


def main(argv: Sequence[str] | None = None) -> int:
    """Write the file named on the command line."""
    parser = argparse.ArgumentParser(description="Draw a well-formed letter of each form.")
    parser.add_argument("out", type=Path, help="JSON file to write")
    out: Path = parser.parse_args(argv).out
    text = json.dumps({"unit": UNIT, "styles": exemplars()}, indent=0, sort_keys=True)
    out.write_text(text + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())

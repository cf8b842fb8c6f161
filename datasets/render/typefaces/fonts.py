"""Typefaces from a folder of font files: the outlines of their 27 letters, in font units.

No font is part of the project: any folder of .ttf and .otf files will do. Files of one family are
named `family-weight`: all before the last hyphen is the family.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from crownlet.datasets.coco.truth import Outline
from crownlet.datasets.files.errors import CrownletError
from crownlet.datasets.scribal.alphabet import LETTERS

OUTSIDE_FAMILIES = ("Stam Ashkenaz CLM", "Stam Sefarad CLM")
"""Families on which the networks are checked from outside: they may never be trained on."""

DOUBTFUL_PAIRS: dict[str, tuple[str, ...]] = {
    "isaiah": ("וי", "דר", "פנ", "ףפ"),
    "habakkuk": ("וי", "דר"),
}
"""Pairs that a reader tells apart by the context alone, by family: ancient hands write them alike.
By eye; by itself each is a letter whose class is doubtful."""

FONT_SUFFIXES = (".ttf", ".otf")

CURVE_PIECES = 8
"""Straight pieces to a curve."""


class TypefaceError(CrownletError, ValueError):
    """A font file, or a folder of them, that cannot be used."""


@dataclass(frozen=True, eq=False)
class Typeface:
    """One font: closed contours of each letter in font units, y growing up, winding as drawn."""

    family: str
    name: str
    contours: dict[str, tuple[Outline, ...]]


def family_of(path: Path) -> str:
    """The family of a font file, by its name: `frank-ruhl-libre` for `frank-ruhl-libre-300.ttf`."""
    return path.stem.rsplit("-", 1)[0]


def mistakable(family: str, letter: str) -> str | None:
    """The letter that this one of the family may be read as (`DOUBTFUL_PAIRS`); None for most."""
    pair = next((pair for pair in DOUBTFUL_PAIRS.get(family, ()) if letter in pair), None)
    return pair.replace(letter, "") if pair else None


def find_typefaces(folder: Path) -> tuple[Path, ...]:
    """The font files of `folder`, in order. TypefaceError if there is none."""
    found = tuple(sorted(p for p in folder.glob("*") if p.suffix.lower() in FONT_SUFFIXES))
    if not found:
        raise TypefaceError(f"{folder} holds no typeface ({' or '.join(FONT_SUFFIXES)})")
    return found


def pick_typeface(paths: Sequence[Path], rng: np.random.Generator) -> Path:
    """One of the files; every family is as likely, however many weights it has."""
    families = sorted({family_of(path) for path in paths})
    family = families[int(rng.integers(len(families)))]
    files = [path for path in paths if family_of(path) == family]
    return files[int(rng.integers(len(files)))]


@lru_cache(maxsize=256)
def load_typeface(path: Path) -> Typeface:
    """Read one font.

    Raises:
        TypefaceError: a letter is missing or empty, or the family is kept for the outside check.
        ModuleNotFoundError: fontTools is not installed.
    """
    try:
        from fontTools.ttLib import TTFont
    except ModuleNotFoundError as error:
        raise ModuleNotFoundError("typefaces need fontTools: pip install fonttools") from error
    with TTFont(path) as font:
        # Family names of either kind, and full name: a renamed file is still recognised.
        names = {str(n.toUnicode()) for n in font["name"].names if n.nameID in (1, 4, 16)}
        if any(name.startswith(kept) for name in names for kept in OUTSIDE_FAMILIES):
            raise TypefaceError(f"{path.name} is kept for the outside check: never train on it")
        cmap, shapes = font.getBestCmap(), font.getGlyphSet()
        contours: dict[str, tuple[Outline, ...]] = {}
        for letter in LETTERS:
            drawn = cmap and cmap.get(ord(letter))
            contours[letter] = _contours(shapes, drawn) if drawn else ()
            if not contours[letter]:
                raise TypefaceError(f"{path.name} has no letter {letter}")
    return Typeface(family_of(path), path.stem, contours)


def _contours(shapes: object, glyph: str) -> tuple[Outline, ...]:
    """Closed polygons of one glyph, curves flattened."""
    from fontTools.pens.basePen import decomposeQuadraticSegment, decomposeSuperBezierSegment
    from fontTools.pens.recordingPen import DecomposingRecordingPen

    pen = DecomposingRecordingPen(shapes)
    shapes[glyph].draw(pen)  # type: ignore[index]
    found: list[list[Outline]] = []
    for step, points in pen.value:
        if step == "qCurveTo" and points and points[-1] is None:
            # A closed curve without a point on it: it starts between two of its controls.
            start = _middle(points[0], points[-2])
            found.append([np.array([start], np.float64)])
            points = (*points[:-1], start)
        if step == "moveTo":
            found.append([np.array([points[0]], np.float64)])
        elif step == "lineTo":
            found[-1].append(np.array([points[0]], np.float64))
        elif step == "qCurveTo":
            for curve in decomposeQuadraticSegment(points):
                found[-1].append(_bezier(found[-1][-1][-1], *curve))
        elif step == "curveTo":
            for curve in decomposeSuperBezierSegment(points):
                found[-1].append(_bezier(found[-1][-1][-1], *curve))
    closed = (np.concatenate(pieces) for pieces in found)
    return tuple(outline for outline in closed if len(outline) >= 3)


def _middle(a: tuple[float, float], b: tuple[float, float]) -> tuple[float, float]:
    return (a[0] + b[0]) / 2, (a[1] + b[1]) / 2


def _bezier(start: Outline, *rest: tuple[float, float]) -> Outline:
    """Points along a quadratic or cubic curve after its start, (CURVE_STEPS, 2)."""
    t = np.linspace(0.0, 1.0, CURVE_PIECES + 1)[1:, None]
    row = [np.asarray(start, np.float64), *(np.asarray(point, np.float64) for point in rest)]
    while len(row) > 1:  # de Casteljau
        row = [(1 - t) * a + t * b for a, b in itertools.pairwise(row)]
    return row[0]

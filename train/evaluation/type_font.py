"""The two scribal-style fonts of Debian's `culmus`, as outlines in q with their tags apart.

They serve the type-page suite: nothing that is shipped was trained on them (the experiment
`new_hand` may be), and no letterform is traced from them. Lengths follow
`datasets.render.letterforms.glyph`: q is a third of the body, y grows down, the ruled line is y = 0
and the base line y = 3. Ink is coverage, drawn 16 times too large and averaged down.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.coco.truth import DefectMark, Outline
from crownlet.datasets.render.letterforms.glyph import BODY_HEIGHT_Q
from crownlet.datasets.scribal.alphabet import LETTERS

FONT_FOLDER = Path("/usr/share/fonts/truetype/culmus")

FontName = Literal["ashkenaz", "sefarad"]

FONT_FILES: dict[FontName, str] = {
    "ashkenaz": "StamAshkenazCLM.ttf",
    "sefarad": "StamSefaradCLM.ttf",
}

BODY_UNITS = 1050
"""Roof top of bet, he and dalet above the base line, in font units; the same in both fonts."""

UNITS_PER_Q = BODY_UNITS / BODY_HEIGHT_Q

_TAG_SEAT_UNITS = (950, 1110)
"""Font units between which a tag leaves its head."""

_TAG_TOP_UNITS = 1240
"""A tag reaches above this; the corner points of roofs (kotzim) and heads do not."""

_MAX_TAG_WIDTH_UNITS = 260

_CURVE_STEPS = 12


OVERSAMPLING = 16


@dataclass(frozen=True)
class TypeGlyph:
    """A letter of a font: ink is `contours` (even-odd), `tags` and `added`, less `cuts`."""

    letter: str
    contours: tuple[Outline, ...]
    """The letter without its tags."""
    tags: tuple[Outline, ...]
    """One outline per tag, from left to right; each shares its foot with the letter."""
    advance: float
    cuts: tuple[Outline, ...] = ()
    added: tuple[Outline, ...] = ()
    defects: tuple[DefectMark, ...] = field(default=())


@dataclass(frozen=True)
class TypeFont:
    """The 27 letters of one font and the width of its space, in q."""

    name: FontName
    glyphs: dict[str, TypeGlyph]
    space: float


def in_q(points: npt.ArrayLike) -> Outline:
    """Font units with y up, shape (N, 2), as q with y down from the ruled line."""
    xy = np.asarray(points, np.float64)
    return np.stack([xy[:, 0], BODY_UNITS - xy[:, 1]], axis=1) / UNITS_PER_Q


@cache
def load_font(name: FontName, folder: Path = FONT_FOLDER) -> TypeFont:
    """Read one of the two fonts.

    Raises:
        FileNotFoundError: the font file is not there.
        ModuleNotFoundError: fontTools is not installed.
    """
    path = folder / FONT_FILES[name]
    if not path.is_file():
        raise FileNotFoundError(f"{path} is missing: the type pages need Debian's package culmus")
    try:
        from fontTools.ttLib import TTFont
    except ModuleNotFoundError as error:
        raise ModuleNotFoundError("the type pages need fontTools: pip install fonttools") from error
    with TTFont(path) as font:
        names = font.getBestCmap()
        widths = font["hmtx"]
        glyphs = {
            letter: _split_tags(
                letter, _contours(font, names[ord(letter)]), widths[names[ord(letter)]][0]
            )
            for letter in LETTERS
        }
        return TypeFont(name, glyphs, widths[names[ord(" ")]][0] / UNITS_PER_Q)


def _contours(font: object, glyph: str) -> list[Outline]:
    """Closed polygons of one glyph in font units, curves flattened."""
    from fontTools.pens.basePen import decomposeQuadraticSegment
    from fontTools.pens.recordingPen import DecomposingRecordingPen

    shapes = font.getGlyphSet()  # type: ignore[attr-defined]
    pen = DecomposingRecordingPen(shapes)
    shapes[glyph].draw(pen)
    found: list[list[tuple[float, float]]] = []
    for step, points in pen.value:
        if step == "moveTo":
            found.append([points[0]])
        elif step == "lineTo":
            found[-1].append(points[0])
        elif step == "qCurveTo":
            for control, end in decomposeQuadraticSegment(points):
                found[-1].extend(_quadratic(found[-1][-1], control, end))
    return [_drop_repeats(np.asarray(points, np.float64)) for points in found]


def _quadratic(
    start: tuple[float, float], control: tuple[float, float], end: tuple[float, float]
) -> list[tuple[float, float]]:
    t = np.linspace(0, 1, _CURVE_STEPS + 1)[1:, None]
    curve = (
        (1 - t) ** 2 * np.array(start) + 2 * t * (1 - t) * np.array(control) + t**2 * np.array(end)
    )
    return [(float(x), float(y)) for x, y in curve]


def _drop_repeats(points: Outline) -> Outline:
    """Without points that repeat the one before: they have no turning."""
    keep = np.linalg.norm(points - np.roll(points, 1, axis=0), axis=1) > 1e-6
    kept: Outline = points[keep]
    return kept


def _split_tags(letter: str, contours: list[Outline], advance: int) -> TypeGlyph:
    """Part the tags from a letter along the chords between the corners at which they leave it."""
    plain: list[Outline] = []
    tags: list[Outline] = []
    for contour in contours:
        rest, found = _without_tags(contour)
        plain.append(in_q(rest))
        tags.extend(in_q(tag) for tag in found)
    tags.sort(key=lambda tag: float(tag[:, 0].mean()))
    return TypeGlyph(letter, tuple(plain), tuple(tags), advance / UNITS_PER_Q)


def _without_tags(contour: Outline) -> tuple[Outline, list[Outline]]:
    """A contour without its tags, and the tags; font units."""
    corners = _seat_corners(contour)
    if len(corners) < 2:
        return contour, []
    turned = np.roll(contour, -corners[0], axis=0)
    ends = [*(corner - corners[0] for corner in corners), len(contour)]
    rest, tags = [], []
    closed = np.concatenate([turned, turned[:1]])
    for start, end in itertools.pairwise(ends):
        run = closed[start : end + 1]
        tag = np.ptp(run[:, 0]) < _MAX_TAG_WIDTH_UNITS and run[:, 1].max() > _TAG_TOP_UNITS
        if tag and run[:, 1].min() > _TAG_SEAT_UNITS[0]:
            tags.append(run)
            rest.append(run[:1])
        else:
            rest.append(run[:-1])
    return np.concatenate(rest), tags


def _seat_corners(contour: Outline) -> list[int]:
    """Indices of the hollow corners of a contour at the height where tags leave their heads."""
    before, after = np.roll(contour, 1, axis=0), np.roll(contour, -1, axis=0)
    a, b = contour - before, after - contour
    turn = np.arctan2(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], (a * b).sum(axis=1))
    hollow = turn * np.sign(turn.sum()) < -np.deg2rad(20)
    at_seat = (contour[:, 1] > _TAG_SEAT_UNITS[0]) & (contour[:, 1] < _TAG_SEAT_UNITS[1])
    return [int(i) for i in np.flatnonzero(hollow & at_seat)]


@dataclass(frozen=True)
class LetterInk:
    """Coverage of a letter, float32 (H, W) in [0, 1].

    `left` and `top` are the px of its first column and row, counted from the letter's origin (left
    end of its advance) and from the ruled line.
    """

    cover: npt.NDArray[np.float32]
    left: int
    top: int


def draw_letter(glyph: TypeGlyph, body: float) -> LetterInk:
    """Draw a letter with a body of `body` px."""
    zoom = body * OVERSAMPLING / BODY_HEIGHT_Q
    points = np.concatenate([*glyph.contours, *glyph.tags, *glyph.added]) * body / BODY_HEIGHT_Q
    x0, y0 = np.floor(points.min(axis=0)).astype(int) - 1
    x1, y1 = np.ceil(points.max(axis=0)).astype(int) + 1
    origin = np.array([x0, y0]) * OVERSAMPLING
    mask = np.zeros(((y1 - y0) * OVERSAMPLING, (x1 - x0) * OVERSAMPLING), np.uint8)
    _fill(mask, [outline * zoom - origin for outline in glyph.contours], 1)
    for outline in (*glyph.tags, *glyph.added):
        _fill(mask, [outline * zoom - origin], 1)
    # OpenCV fills the px of the outline itself: one row and one column too many.
    mask = np.asarray(cv2.erode(mask, np.ones((2, 2), np.uint8), anchor=(0, 0)), np.uint8)
    for outline in glyph.cuts:
        _fill(mask, [outline * zoom - origin], 0)
    height, width = y1 - y0, x1 - x0
    cover = mask.reshape(height, OVERSAMPLING, width, OVERSAMPLING).mean(
        axis=(1, 3), dtype=np.float32
    )
    return LetterInk(cover, int(x0), int(y0))


def _fill(mask: npt.NDArray[np.uint8], outlines: Iterable[Outline], value: int) -> None:
    # The half px shifts from edges to OpenCV's pixel centres.
    polygons = [np.round(outline - 0.5).astype(np.int32) for outline in outlines]
    cv2.fillPoly(mask, polygons, value)

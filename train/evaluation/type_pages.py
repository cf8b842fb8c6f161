"""Pages set in the two scribal-style fonts of Debian's `culmus`: an outside check of the networks.

Nothing that is shipped was trained on the fonts. Every box is taken from the ink of its letter;
defects are cut into the letters here (`type_cuts`), and what is cut is recorded as truth. `degrade`
is a poor camera: a turn, soft focus, grey ink, uneven light, noise.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.render.letterforms.glyph import BODY_HEIGHT_Q
from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.texts import load_portion
from crownlet.train.evaluation.type_cuts import CUT_DEFECTS, cut_defect, defects_of
from crownlet.train.evaluation.type_font import (
    FontName,
    LetterInk,
    TypeFont,
    TypeGlyph,
    draw_letter,
    load_font,
)
from crownlet.train.evaluation.type_truth import (
    PageTransform,
    PlacedLetter,
    gaps_between,
    letter_truth,
)

Image = npt.NDArray[np.uint8]

MAX_TURN_DEGREES = 1.5
"""Degrees."""

BLUR_PX = (0.5, 1.2)
"""Standard deviation of the blur in px, at a body of 64 px; it scales with the body."""

NOISE_GREY_LEVELS = (2.0, 8.0)
"""Standard deviation in grey levels."""

CONTRAST_SHARE = (0.45, 0.85)
"""Share of the contrast between ink and ground that is left."""


Grey = npt.NDArray[np.uint8]

PAPER_RGB = {"white": (255, 255, 255), "cream": (243, 234, 210)}

INK_RGB = (0, 0, 0)


def draw_turn(size: tuple[int, int], rng: np.random.Generator) -> PageTransform:
    """A random slight turn about the middle of a page of (height, width) px."""
    degrees = float(rng.uniform(-MAX_TURN_DEGREES, MAX_TURN_DEGREES))
    matrix = cv2.getRotationMatrix2D((size[1] / 2, size[0] / 2), -degrees, 1.0)
    return PageTransform(np.asarray(matrix, np.float64), degrees)


def degrade(image: Image, turn: PageTransform, body: float, rng: np.random.Generator) -> Image:
    """The page, (H, W) or (H, W, 3), as a poor camera would show it; same shape."""
    ground = image[0, 0].astype(np.float64)
    # Turn maps px edges; OpenCV counts from px centres.
    matrix = turn.matrix.copy()
    matrix[:, 2] += matrix[:, :2] @ (0.5, 0.5) - 0.5
    turned = cv2.warpAffine(
        image, matrix, image.shape[1::-1], flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT, borderValue=np.atleast_1d(ground).tolist(),
    )  # fmt: skip
    soft = cv2.GaussianBlur(turned, (0, 0), rng.uniform(*BLUR_PX) * body / 64).astype(np.float32)
    contrast = rng.uniform(*CONTRAST_SHARE)
    faded = ground + (soft - ground) * contrast
    lit = faded * _light(image.shape[:2], rng)[(...,) + (None,) * (image.ndim - 2)]
    noisy = lit + rng.normal(0, rng.uniform(*NOISE_GREY_LEVELS), image.shape)
    return np.asarray(np.clip(np.round(noisy), 0, 255), np.uint8)


def _light(size: tuple[int, ...], rng: np.random.Generator) -> npt.NDArray[np.float32]:
    """Light over the page, (H, W), at most 1, falling off towards one side by up to a third."""
    y, x = np.linspace(0, 1, size[0]), np.linspace(0, 1, size[1])
    angle, loss = rng.uniform(0, 2 * np.pi), rng.uniform(0.05, 0.33)
    slope = np.cos(angle) * x[None, :] + np.sin(angle) * y[:, None]
    slope -= slope.min()
    light: npt.NDArray[np.float32] = (1 - loss * slope / slope.max()).astype(np.float32)
    return light


@dataclass(frozen=True)
class TypeSpec:
    """One page: what is set, in which font and how large, and what share of letters is damaged."""

    font: FontName = "ashkenaz"
    text: Literal["mezuzah", "alphabet"] = "mezuzah"
    """The mezuzah in its 22 lines, or 27 lines with each of the 27 letters once, shuffled."""
    body: float = 64.0
    """Height from roof top to base line, px."""
    paper: Literal["white", "cream"] = "white"
    """White gives a grey image, cream one in colour."""
    defects: Mapping[str, float] = field(default_factory=dict)
    """Share of letters that take each of `tag_missing`, `part_loose`, `leg_touches_roof`, of
    those that can; a letter takes one at most."""
    pitch: float = 3.0
    """Distance of the lines in bodies; below 2.95 a lamed may run into a long letter above."""
    margin: float = 1.5
    """Blank margin around the text, in bodies, beyond the tallest letter of the first line."""
    degraded: bool = False
    """Turned a little, blurred, faded, unevenly lit and noisy."""


def compose_type_page(spec: TypeSpec, seed: int = 0) -> PageTruth:
    """Set a page; the same spec and seed give the same page.

    Raises:
        FileNotFoundError: the fonts are not installed.
        ValueError: a defect in `spec` cannot be cut into type.
    """
    unknown = set(spec.defects) - set(CUT_DEFECTS)
    if unknown:
        raise ValueError(f"cannot be cut into type: {', '.join(sorted(unknown))}")
    rng = np.random.default_rng(seed)
    font = load_font(spec.font)
    lines = _lines(spec, rng)
    placed, size = _set_lines(lines, font, spec, rng)
    image, turn = _paint(placed, size, spec.paper), PageTransform(np.eye(2, 3))
    if spec.degraded:
        turn = draw_turn(size, rng)
        image = degrade(image, turn, spec.body, rng)
    letters = tuple(letter_truth(letter, spec.font, spec.body, turn) for letter in placed)
    meta: dict[str, object] = {
        "suite": "type pages", "font": spec.font, "text": spec.text, "body": spec.body,
        "paper": spec.paper, "degraded": spec.degraded, "seed": seed,
    }  # fmt: skip
    return PageTruth(image, letters, gaps_between(placed, spec.body), (), meta)


def _lines(spec: TypeSpec, rng: np.random.Generator) -> Sequence[Sequence[str]]:
    if spec.text == "mezuzah":
        lines = load_portion("mezuzah").lines
        assert lines is not None
        return lines
    shuffled = ["".join(rng.permutation(list(LETTERS))) for _ in LETTERS]
    return [[line[i : i + 5] for i in range(0, len(line), 5)] for line in shuffled]


def _set_lines(
    lines: Sequence[Sequence[str]], font: TypeFont, spec: TypeSpec, rng: np.random.Generator
) -> tuple[list[PlacedLetter], tuple[int, int]]:
    """Letters in reading order, ragged at the left, and the (height, width) of the page in px."""
    q = spec.body / BODY_HEIGHT_Q
    margin = round(spec.margin * spec.body)
    first = margin + round(1.2 * spec.body)
    width = 2 * margin + max(_line_width(line, font, q) for line in lines)
    drawn: dict[str, LetterInk] = {}
    placed: list[PlacedLetter] = []
    word_number = 0
    for i, line in enumerate(lines):
        x = width - margin
        for word in line:
            for place, letter in enumerate(word):
                glyph = _damage_letter(font.glyphs[letter], spec, rng)
                if glyph.defects or letter not in drawn:
                    ink = draw_letter(glyph, spec.body)
                    if not glyph.defects:
                        drawn[letter] = ink
                else:
                    ink = drawn[letter]
                x -= round(glyph.advance * q)
                ruled = first + round(i * spec.pitch * spec.body)
                placed.append(PlacedLetter(glyph, ink, i, word_number, place, x, ruled))
            x -= round(font.space * q)
            word_number += 1
    height = placed[-1].ruled + round(2 * spec.body) + margin
    return placed, (height, width)


def _line_width(line: Sequence[str], font: TypeFont, q: float) -> int:
    letters = sum(round(font.glyphs[letter].advance * q) for word in line for letter in word)
    return letters + (len(line) - 1) * round(font.space * q)


def _damage_letter(glyph: TypeGlyph, spec: TypeSpec, rng: np.random.Generator) -> TypeGlyph:
    """The letter, perhaps with one of the defects asked for."""
    names = [name for name in defects_of(spec.font, glyph.letter) if spec.defects.get(name)]
    for name in rng.permutation(names) if names else ():
        if rng.random() < spec.defects[name]:
            return cut_defect(spec.font, glyph, str(name), rng)
    return glyph


def _paint(placed: Sequence[PlacedLetter], size: tuple[int, int], paper: str) -> Grey:
    """Black ink on an even ground: (H, W) on white, (H, W, 3) on cream."""
    cover = np.zeros(size, np.float32)
    for letter in placed:
        height, width = letter.ink.cover.shape
        at = cover[letter.top : letter.top + height, letter.left : letter.left + width]
        np.maximum(at, letter.ink.cover, out=at)
    ground = np.array(PAPER_RGB[paper], np.float32)
    if paper == "white":
        return np.asarray(np.round(255 * (1 - cover)), np.uint8)
    mixed = ground + cover[..., None] * (np.array(INK_RGB, np.float32) - ground)
    return np.asarray(np.round(mixed), np.uint8)

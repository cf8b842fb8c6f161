"""Pages set in the two scribal-style fonts of Debian's `culmus`: the outside check of the networks.

Nothing that is shipped was trained on the fonts. Every box is taken from the ink of its letter;
defects are cut into the letters here (`type_cuts`), and what was cut is recorded as truth.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from crownlet.datasets.alphabet import LETTERS
from crownlet.datasets.letterforms.glyph import BODY_HEIGHT
from crownlet.datasets.page.truth import PageTruth
from crownlet.datasets.texts import portion
from crownlet.train.suites.type_cuts import CUTS, cut_defect, defects_of
from crownlet.train.suites.type_degrade import degrade, draw_turn
from crownlet.train.suites.type_font import FontName, TypeFont, TypeGlyph, load_font
from crownlet.train.suites.type_raster import Ink, draw
from crownlet.train.suites.type_truth import Placed, Turn, gaps_between, letter_truth

Grey = npt.NDArray[np.uint8]
PAPERS = {"white": (255, 255, 255), "cream": (243, 234, 210)}
INK = (0, 0, 0)


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
    """White around the text, in bodies, beyond the tallest letter of the first line."""
    degraded: bool = False
    """Turned a little, blurred, faded, unevenly lit and noisy."""


def compose_type_page(spec: TypeSpec, seed: int = 0) -> PageTruth:
    """Set a page; the same spec and seed give the same page.

    Raises:
        FileNotFoundError: the fonts are not installed.
        ValueError: a defect in `spec` cannot be cut into type.
    """
    unknown = set(spec.defects) - set(CUTS)
    if unknown:
        raise ValueError(f"cannot be cut into type: {', '.join(sorted(unknown))}")
    rng = np.random.default_rng(seed)
    font = load_font(spec.font)
    lines = _lines(spec, rng)
    placed, size = _set(lines, font, spec, rng)
    image, turn = _paint(placed, size, spec.paper), Turn(np.eye(2, 3))
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
        lines = portion("mezuzah").lines
        assert lines is not None
        return lines
    shuffled = ["".join(rng.permutation(list(LETTERS))) for _ in LETTERS]
    return [[line[i : i + 5] for i in range(0, len(line), 5)] for line in shuffled]


def _set(
    lines: Sequence[Sequence[str]], font: TypeFont, spec: TypeSpec, rng: np.random.Generator
) -> tuple[list[Placed], tuple[int, int]]:
    """Letters in reading order, ragged at the left, and the (height, width) of the page in px."""
    q = spec.body / BODY_HEIGHT
    margin = round(spec.margin * spec.body)
    first = margin + round(1.2 * spec.body)
    width = 2 * margin + max(_line_width(line, font, q) for line in lines)
    drawn: dict[str, Ink] = {}
    placed: list[Placed] = []
    word_number = 0
    for i, line in enumerate(lines):
        x = width - margin
        for word in line:
            for place, letter in enumerate(word):
                glyph = _damaged(font.glyphs[letter], spec, rng)
                if glyph.defects or letter not in drawn:
                    ink = draw(glyph, spec.body)
                    if not glyph.defects:
                        drawn[letter] = ink
                else:
                    ink = drawn[letter]
                x -= round(glyph.advance * q)
                ruled = first + round(i * spec.pitch * spec.body)
                placed.append(Placed(glyph, ink, i, word_number, place, x, ruled))
            x -= round(font.space * q)
            word_number += 1
    height = placed[-1].ruled + round(2 * spec.body) + margin
    return placed, (height, width)


def _line_width(line: Sequence[str], font: TypeFont, q: float) -> int:
    letters = sum(round(font.glyphs[letter].advance * q) for word in line for letter in word)
    return letters + (len(line) - 1) * round(font.space * q)


def _damaged(glyph: TypeGlyph, spec: TypeSpec, rng: np.random.Generator) -> TypeGlyph:
    """The letter, perhaps with one of the defects asked for."""
    names = [name for name in defects_of(spec.font, glyph.letter) if spec.defects.get(name)]
    for name in rng.permutation(names) if names else ():
        if rng.random() < spec.defects[name]:
            return cut_defect(spec.font, glyph, str(name), rng)
    return glyph


def _paint(placed: Sequence[Placed], size: tuple[int, int], paper: str) -> Grey:
    """Black ink on an even ground: (H, W) on white, (H, W, 3) on cream."""
    cover = np.zeros(size, np.float32)
    for letter in placed:
        height, width = letter.ink.cover.shape
        at = cover[letter.top : letter.top + height, letter.left : letter.left + width]
        np.maximum(at, letter.ink.cover, out=at)
    ground = np.array(PAPERS[paper], np.float32)
    if paper == "white":
        return np.asarray(np.round(255 * (1 - cover)), np.uint8)
    mixed = ground + cover[..., None] * (np.array(INK, np.float32) - ground)
    return np.asarray(np.round(mixed), np.uint8)

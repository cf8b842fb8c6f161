"""A page from its specification and a seed: writing, skin, ink, camera, and the truth about it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.render.letterforms.draw_hand import draw_hand
from crownlet.datasets.render.letterforms.hand import Hand
from crownlet.datasets.render.letterforms.raster import Mask
from crownlet.datasets.render.page import camera, skin
from crownlet.datasets.render.page.block import Block, write_block
from crownlet.datasets.render.page.camera import LUMA_SHARES, apply_sensor
from crownlet.datasets.render.page.damage import wear_page
from crownlet.datasets.render.page.geometry import Geometry, draw_geometry
from crownlet.datasets.render.page.ink import darken_around, lay_ink
from crownlet.datasets.render.page.ink_style import InkStyle, draw_ink, in_gray
from crownlet.datasets.render.page.labels import (
    PageOutlines,
    label_gaps,
    label_letters,
    turn_page,
)
from crownlet.datasets.render.page.light import add_glare, add_glints, add_uneven_light
from crownlet.datasets.render.page.marks import project_marks
from crownlet.datasets.render.page.sheet import InkedSheet, ink_cover, ink_sheet
from crownlet.datasets.render.page.skin import score_lines, show_through
from crownlet.datasets.render.page.spec import PageSpec
from crownlet.datasets.render.page.text import choose_text
from crownlet.datasets.render.page.textures import crop_halved_texture, crop_texture

Frame = tuple[float, float, float, float]
"""x0, y0, x1, y1 of the visible part of the page, in q."""

PICTURES_PER_INK = 4
"""Pictures in a row that show the same ink; all else of them is drawn again."""

_BARE_SHARES = np.linspace(1.0, 0.0, 256, dtype=np.float32).reshape(256, 1)
"""Share of the skin that shows by cover."""

SPLIT_SEEDS = {"train": 11, "calibrate": 23, "heldout": 37}


@dataclass(frozen=True)
class WrittenBlock:
    """Writing that may be photographed any number of times."""

    spec: PageSpec
    seed: int
    block: Block
    outlines: PageOutlines
    body: float
    """Height of a letter's body in px, at which it is photographed."""
    hand_seed: int
    style: str
    """Of the hand."""
    text: str
    """Name of its text."""


def compose(spec: PageSpec, seed: int, hand: Hand | None = None) -> PageTruth:
    """Make one page. The same `spec` and `seed` give the same bytes.

    `hand` writes in place of the one drawn by its seed, and may be unlike any that is drawn.
    ValueError for an unknown portion or a specification that cannot be.
    """
    rng = np.random.default_rng([seed, SPLIT_SEEDS[spec.split]])
    return photograph(write(spec, seed, hand, rng), rng)


def compose_often(
    spec: PageSpec, seed: int, times: int, hand: Hand | None = None
) -> Iterator[PageTruth]:
    """One page written once and photographed `times` times, the first as `compose` makes it.

    Skin, ink, frame, light and camera of the others are drawn again; so writing, half of the time
    that a page takes, is done once.
    """
    rng = np.random.default_rng([seed, SPLIT_SEEDS[spec.split]])
    written = write(spec, seed, hand, rng)
    yield photograph(written, rng)
    for number in range(1, times):
        yield photograph(written, np.random.default_rng([seed, SPLIT_SEEDS[spec.split], number]))


def compose_gray(
    spec: PageSpec, seed: int, times: int = 1, hand: Hand | None = None
) -> Iterator[PageTruth]:
    """As `compose_often`, for training: pictures are grey, (H, W), which is all that the networks
    read, and ink is drawn once for every `PICTURES_PER_INK` of them, each time with other waves of
    the hand."""
    rng = np.random.default_rng([seed, SPLIT_SEEDS[spec.split]])
    written = write(spec, seed, hand, rng)
    for first in range(0, times, PICTURES_PER_INK):
        draws = [
            np.random.default_rng([seed, SPLIT_SEEDS[spec.split], number]) if number else rng
            for number in range(first, min(times, first + PICTURES_PER_INK))
        ]
        if first:
            written = replace(written, outlines=written.outlines.wavered(draws[0]))
        views = [_aim(written, own) for own in draws]
        style = in_gray(draw_ink(spec.augment.ink, draws[0]), np.array(LUMA_SHARES, np.float32))
        seen = [view.geometry for view in views]
        sheet = ink_sheet(written.block, written.outlines, seen, style, draws[0])
        for own, view in zip(draws, views, strict=True):
            yield _take(written, view, own, sheet)


def write(spec: PageSpec, seed: int, hand: Hand | None, rng: np.random.Generator) -> WrittenBlock:
    """The writing of a page; `rng` draws all of it."""
    hand_seed = int(rng.integers(1 << 31)) if spec.hand is None else spec.hand
    hand = hand or draw_hand(hand_seed, spec.split, spec.own_forms)
    body = float(np.exp(rng.uniform(*np.log(spec.body))))
    text = choose_text(spec, rng, body)
    block = write_block(text, spec, hand, body / 3.0, rng)
    outlines = PageOutlines(block.letters)
    return WrittenBlock(spec, seed, block, outlines, body, hand_seed, hand.style, text.name)


def photograph(written: WrittenBlock, rng: np.random.Generator) -> PageTruth:
    """A picture of the writing, with skin, ink, frame, light and camera drawn from `rng`."""
    return _take(written, _aim(written, rng), rng)


@dataclass(frozen=True)
class _View:
    """What takes a picture, and what of the page it sees."""

    device: str
    geometry: Geometry


def _aim(written: WrittenBlock, rng: np.random.Generator) -> _View:
    spec = written.spec
    device = _draw_device(spec, rng)
    warp = spec.augment.warp * {"none": 0.0, "scanner": 0.15, "camera": 1.0}[device]
    frame = draw_frame(written.block, spec, rng)
    return _View(device, draw_geometry(frame, written.body / 3.0, warp, rng))


def _take(
    written: WrittenBlock, view: _View, rng: np.random.Generator, sheet: InkedSheet | None = None
) -> PageTruth:
    """The picture: in colour (H, W, 3), or of a `sheet` that is inked already, grey (H, W)."""
    spec, block, geometry = written.spec, written.block, view.geometry
    drawn = written.outlines.project(geometry)
    style = sheet.style if sheet else draw_ink(spec.augment.ink, rng)
    if sheet:
        cover, ink = sheet.shown(geometry)
    else:
        marks = project_marks(block.marks, geometry)
        cover, ink = ink_cover([*drawn, *marks], geometry, style, rng), None
    image = _paint(spec, block, cover, ink, geometry, style, view.device, rng)
    letters, kept = label_letters(block.letters, drawn, geometry)
    page = PageTruth(
        image,
        tuple(letters),
        tuple(label_gaps(block.letters, kept, style.gain)),
        _listed_missing(block, kept),
        {
            "seed": written.seed, "hand": written.hand_seed, "style": written.style,
            "split": spec.split, "text": written.text, "device": view.device, "dpi": spec.dpi,
            "body": written.body, "turn": spec.turn,
        },
    )  # fmt: skip
    return turn_page(page, spec.turn)


def _draw_device(spec: PageSpec, rng: np.random.Generator) -> str:
    if spec.augment.device == "any":
        return "camera" if rng.random() < 0.6 else "scanner"
    return spec.augment.device


def draw_frame(block: Block, spec: PageSpec, rng: np.random.Generator) -> Frame:
    """What of the page is seen, in q: the main column with margins, or less of it."""
    left, top, right, bottom = rng.uniform(*spec.margin, size=4)
    first, last = block.ruled[0], block.ruled[-1]
    # Crowns and lamed rise about 2 q above a line, finals fall 2 q below the body.
    whole = (
        block.edges[0] - left, first - 2.0 - top, block.edges[1] + right, last + 5.0 + bottom,
    )  # fmt: skip
    return _cut_into(whole, block, rng) if rng.random() < spec.tight else whole


def _cut_into(frame: Frame, block: Block, rng: np.random.Generator) -> Frame:
    """A frame that cuts off lines and letters, at each side at any depth of the nearest ones."""
    x0, y0, x1, y1 = frame
    lines = len(block.ruled)
    pitch = (block.ruled[-1] - block.ruled[0]) / (lines - 1) if lines > 1 else 0.0
    reach = min(8.0, 0.2 * (block.edges[1] - block.edges[0]))
    sides = rng.random(4) < 0.6
    depth = rng.random(4)
    if sides[0]:
        x0 = block.edges[0] + reach * depth[0]
    if sides[1] and lines > 2:
        y0 = block.ruled[0] - 1.5 + (pitch + 1.0) * depth[1]
    if sides[2]:
        x1 = block.edges[1] - reach * depth[2]
    if sides[3] and lines > 3:
        y1 = block.ruled[-1] + 3.5 - (pitch + 1.0) * depth[3]
    return x0, y0, x1, y1


def _paint(
    spec: PageSpec,
    block: Block,
    cover: Mask,
    ink: Mask | None,
    geometry: Geometry,
    style: InkStyle,
    device: str,
    rng: np.random.Generator,
) -> Mask:
    """The finished image, uint8 (H, W, 3) RGB; grey (H, W) if its `ink` is given as it is seen."""
    aug, q = spec.augment, geometry.scale
    by_camera = device == "camera"
    softer = 1.0 if by_camera else 0.3
    tone, colour = skin.draw_skin(
        geometry.size, q, aug.skin, rng, crop_texture if ink is None else crop_halved_texture
    )
    if rng.random() < 0.2 * aug.skin:
        show_through(tone, cover, q, rng)
    if rng.random() < 0.75:
        score_lines(tone, *_ruling(block, geometry, rng), q, aug.skin, rng)
    if ink is None:
        page = lay_ink(skin.colour_skin(tone, colour, rng), cover, q, style, rng)
    else:
        weights = camera.draw_gray_weights(colour, aug.light * softer, rng)
        page = skin.colour_skin(tone, np.array([weights @ colour], np.float32), rng)
        darken_around(page, cover, q, style, rng)
        cv2.multiply(page, cv2.LUT(cover, _BARE_SHARES), dst=page)
        cv2.add(page, ink, dst=page, dtype=cv2.CV_32F)
    wear_page(page, cover, q, aug.skin, rng)
    if device == "none":
        return camera.expose(page, 0.0, rng)
    add_uneven_light(page, aug.light * softer, rng)
    if rng.random() < (0.25 if by_camera else 0.04):
        add_glare(page, aug.light, rng)
    if rng.random() < (0.28 if by_camera else 0.05):
        add_glints(page, q, aug.light, rng)
    image = camera.expose(page, aug.light * softer, rng)
    image = camera.apply_optics(image, q, aug, by_camera, rng)
    image = apply_sensor(image, q, aug, by_camera, rng)
    if rng.random() < (0.06 if by_camera else 0.15) * aug.light:
        image = camera.remove_colour(image)
    return image


def _ruling(
    block: Block, geometry: Geometry, rng: np.random.Generator
) -> tuple[list[skin.Polyline], list[skin.Polyline]]:
    """The scored lines in px, a little past the column, and its two borders.

    Letters hang from their line; with some hands a little below it, never across it.
    """
    left, right = block.edges
    hang = float(rng.uniform(0.0, 0.6)) if rng.random() < 0.5 else 0.0
    x = np.linspace(left - 30.0, right + 30.0, 24)
    lines = [geometry(np.stack([x, np.full(24, y - hang)], axis=1)) for y in block.ruled]
    y = np.linspace(block.ruled[0] - 30.0, block.ruled[-1] + 30.0, 24)
    borders = [geometry(np.stack([np.full(24, edge), y], axis=1)) for edge in (left, right)]
    return lines, borders


def _listed_missing(block: Block, kept: Sequence[int]) -> tuple[tuple[int, str], ...]:
    """Missing letters between listed ones, in their numbering."""
    number = {old: new for new, old in enumerate(kept)} | {-1: -1}
    return tuple((number[i], char) for i, char in block.missing if i in number)

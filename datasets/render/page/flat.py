"""Writing laid flat for pictures that are painted elsewhere, and bare skins to paint them on.

The training device photographs such a page anew each time that it shows one of its letters
(`crownlet.train.fit.paint`); what is slow and exact stays here: letters, defects, ink, labels.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np

from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.render.letterforms.hand import Hand
from crownlet.datasets.render.letterforms.raster import Mask
from crownlet.datasets.render.page import camera, skin
from crownlet.datasets.render.page.camera import LUMA_SHARES
from crownlet.datasets.render.page.compose import SPLIT_SEEDS, WrittenBlock, draw_frame, write
from crownlet.datasets.render.page.damage import wear_page
from crownlet.datasets.render.page.geometry import draw_geometry
from crownlet.datasets.render.page.ink import darken_around, ink_layer
from crownlet.datasets.render.page.ink_style import draw_ink, in_gray
from crownlet.datasets.render.page.labels import label_gaps, label_letters
from crownlet.datasets.render.page.light import add_glare, add_glints, add_uneven_light
from crownlet.datasets.render.page.marks import project_marks
from crownlet.datasets.render.page.sheet import ink_cover
from crownlet.datasets.render.page.spec import Augment, PageSpec
from crownlet.datasets.render.page.textures import crop_halved_texture

FLAT_PEN_PX = 16.0
"""Px a pen width of a flat page: bodies of 48 px, as crops show them."""

BARE_GREY = 224
"""Grey of bare skin on a flat page."""

BARE_SIDE_PX = 512
"""Side of a piece of bare skin."""

MEAN_SHEET_GREY = 200.0

CAMERA_SHARE = 0.6
"""Share of pictures that a camera takes, the others a scanner (`Augment.device`)."""


@dataclass(frozen=True)
class Ruling:
    """Ruled lines of a flat page in px: the first, their distance, the ends of the column."""

    first: float
    pitch: float
    left: float
    right: float


@dataclass(frozen=True)
class FlatPage:
    """Writing on skin that is even and as light everywhere, and another piece of skin.

    The picture of `page` is (H, W) uint8: `BARE_GREY` times the share of the skin's light that is
    left. `bare` is (512, 512) uint8, skin of the same pen in its light, about 200.
    """

    page: PageTruth
    bare: Mask
    ruling: Ruling
    skin_gray: float
    """Grey of the skin in fair light."""


def compose_flat(
    spec: PageSpec, seed: int, times: int = 1, hand: Hand | None = None
) -> Iterator[FlatPage]:
    """A page written as `compose` writes it, inked `times` times: frame, ink and skin are drawn
    each time, from the second on with other waves of the hand."""
    rng = np.random.default_rng([seed, SPLIT_SEEDS[spec.split]])
    written = write(spec, seed, hand, rng)
    yield _lay_flat(written, rng)
    for number in range(1, times):
        own = np.random.default_rng([seed, SPLIT_SEEDS[spec.split], number])
        yield _lay_flat(replace(written, outlines=written.outlines.wavered(own)), own)


def _lay_flat(written: WrittenBlock, rng: np.random.Generator) -> FlatPage:
    spec, block, q = written.spec, written.block, FLAT_PEN_PX
    geometry = draw_geometry(draw_frame(block, spec, rng), q, 0.0, rng)
    drawn = written.outlines.project(geometry)
    style = in_gray(draw_ink(spec.augment.ink, rng), np.array(LUMA_SHARES, np.float32))
    cover = ink_cover(
        [*drawn, *project_marks(block.marks, geometry)], geometry, style, rng, quick=True
    )
    covered, ink = ink_layer(cover, q, style, rng)
    bare, gray = draw_bare_skin(spec.augment, cover, rng)
    page = np.full(cover.shape, gray, np.float32)
    darken_around(page, covered, q, style, rng)
    cv2.multiply(page, cv2.bitwise_not(covered), dst=page, scale=1 / 255, dtype=cv2.CV_32F)
    cv2.add(page, ink, dst=page, dtype=cv2.CV_32F)
    letters, kept = label_letters(block.letters, drawn, geometry)
    first, second = (geometry(np.array([[edge, y]]))[0] for edge, y in zip(
        block.edges, (block.ruled[0], block.ruled[min(1, len(block.ruled) - 1)]), strict=True
    ))  # fmt: skip
    return FlatPage(
        PageTruth(
            np.asarray(cv2.convertScaleAbs(page, alpha=BARE_GREY / gray), np.uint8),
            tuple(letters),
            tuple(label_gaps(block.letters, kept, style.gain)),
            (),
            {"seed": written.seed, "hand": written.hand_seed, "style": written.style,
             "split": spec.split, "text": written.text, "body": 3 * q},
        ),
        bare,
        Ruling(first[1], max(q, second[1] - first[1]), first[0], second[0]),
        gray,
    )  # fmt: skip


def draw_bare_skin(spec: Augment, cover: Mask, rng: np.random.Generator) -> tuple[Mask, float]:
    """A piece of skin in its light, (512, 512) uint8 with a mean of 200; its grey in fair light.

    It has everything of a photographed sheet but writing, ruling, camera, and the holes and specks
    that spare the ink; `cover` is the writing that shines through some skins.
    """
    size, q = (BARE_SIDE_PX, BARE_SIDE_PX), FLAT_PEN_PX
    by_camera = spec.device != "scanner" and bool(rng.random() < CAMERA_SHARE)
    softer = 1.0 if by_camera else 0.3
    tone, colour = skin.draw_skin(size, q, spec.skin, rng, crop_halved_texture)
    if rng.random() < 0.2 * spec.skin:
        behind = np.zeros(size, np.uint8)
        part = cover[:BARE_SIDE_PX, :BARE_SIDE_PX]
        behind[: part.shape[0], : part.shape[1]] = part
        skin.show_through(tone, behind, q, rng)
    weights = camera.draw_gray_weights(colour, spec.light * softer, rng)
    gray = float(weights @ colour)
    page = skin.colour_skin(tone, np.array([gray], np.float32), rng)
    wear_page(page, None, q, spec.skin, rng)
    if spec.device != "none":
        add_uneven_light(page, spec.light * softer, rng)
        if rng.random() < (0.25 if by_camera else 0.04):
            add_glare(page, spec.light, rng)
        if rng.random() < (0.28 if by_camera else 0.05):
            add_glints(page, q, spec.light, rng)
    even = cv2.convertScaleAbs(page, alpha=MEAN_SHEET_GREY / max(1.0, float(page.mean())))
    return np.asarray(even, np.uint8), gray

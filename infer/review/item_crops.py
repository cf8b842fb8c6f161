"""Crops of an item for the review page, upright and bare; one format has corners around the letter.

Over the two largest the page lays SVG when a reader asks for it: the letter's corners, and the
rulers of its measures.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import cv2
import numpy as np
from markupsafe import Markup

from crownlet.infer.records import Box, Measurement
from crownlet.infer.review.queue import MAX_QUESTION_LETTERS
from crownlet.infer.run.pictures import PageToCrop, Pixels, crop_window, place_crop
from crownlet.infer.view.lengths import shown_measures
from crownlet.infer.view.rulers import VIEW_BODY_PX, draw_rulers

if TYPE_CHECKING:
    from crownlet.infer.review.models import Item
    from crownlet.infer.run.run import Run

CropKind = Literal["wall", "marked", "large", "line", "near"]

MARK_RGB, HALO_RGB = (0, 88, 143), (255, 255, 255)

MIN_FRAME_PX = 52.0
"""Least width of the frame drawn around a letter, so that a narrow gap stays visible, px."""

WIDE_CROP_PX = (544, 248)
"""Width and height of the small crop of a stretched letter: two cells of a wall and the space
between them, px."""

CORNER_DISTANCE_PX = 14.0
"""Distance between a letter's box and its corners in the SVG, px."""

RULER_SCALE = 3.0
"""Enlargement of the rulers, which `draw_rulers` draws for smaller crops."""


@dataclass(frozen=True)
class CropFormat:
    """Format of a crop: width and height, px; height of a letter's body, px; JPEG quality."""

    size: tuple[int, int]
    body: float
    quality: int
    marked: bool = False
    """Whether the letter's corners are drawn into the picture."""


CROP_FORMATS: dict[CropKind, CropFormat] = {
    "wall": CropFormat((264, 248), 108, 82),
    "marked": CropFormat((264, 248), 108, 82, marked=True),
    "large": CropFormat((640, 600), 280, 88),
    "line": CropFormat((1440, 600), 210, 86),
    "near": CropFormat((1440, 600), 360, 86),
}


def is_wide(item: Item) -> bool:
    """Whether a letter is so stretched that in one cell of a wall its parts are too small to judge.

    A question about the stretching itself needs no more than one cell.
    """
    if item.body is None or item.kind == "overstretched":
        return False
    sides = item.box[2] - item.box[0], item.box[3] - item.box[1]
    across = sides[round(item.body[3] / 90) % 2]
    fmt = CROP_FORMATS["wall"]
    return across * fmt.body / max(item.body[2], 1.0) > fmt.size[0]


def crop_format(item: Item, kind: CropKind) -> CropFormat:
    """Format of one of an item's crops."""
    usual = CROP_FORMATS[kind]
    small = kind in ("wall", "marked")
    return replace(usual, size=WIDE_CROP_PX) if small and is_wide(item) else usual


def kulmus_px(item: Item, run: Run) -> float:
    """Width of the pen (q) at an item's place, px of its page."""
    record = run.pages[item.page].record
    return record.glyphs[item.glyphs[0] - 1].q if item.glyphs else record.q or 1.0


def quarter_turns(item: Item, run: Run) -> int:
    """Quarter turns, counter-clockwise, that set the writing upright at an item's place."""
    record = run.pages[item.page].record
    turn = record.glyphs[item.glyphs[0] - 1].rotation if item.glyphs else record.turn
    return round(turn / 90) % 4


def page_to_crop(item: Item, run: Run, kind: CropKind) -> PageToCrop:
    """The map from page px to the px of one of the item's crops before it is turned upright."""
    fmt = crop_format(item, kind)
    return place_crop(
        item.box,
        kulmus_px(item, run) * VIEW_BODY_PX / fmt.body,
        _turned_size(fmt, quarter_turns(item, run)),
    )


def _turned_size(fmt: CropFormat, turns: int) -> tuple[int, int]:
    return (fmt.size[1], fmt.size[0]) if turns % 2 else fmt.size


def cut_crop(pixels: Pixels, item: Item, run: Run, kind: CropKind) -> bytes:
    """A crop of an item as JPEG, from the pixels of its page, (H, W, 3) RGB."""
    fmt, turns = crop_format(item, kind), quarter_turns(item, run)
    window = crop_window(
        pixels, item.box, kulmus_px(item, run) * VIEW_BODY_PX / fmt.body, _turned_size(fmt, turns)
    )
    picture = np.ascontiguousarray(window.pixels[..., ::-1])
    if fmt.marked:
        _draw_corners(picture, window.affine.box(item.box))
    upright = np.ascontiguousarray(np.rot90(picture, turns))
    data = cv2.imencode(".jpg", upright, [cv2.IMWRITE_JPEG_QUALITY, fmt.quality])[1]
    return data.tobytes()


def measures_of(item: Item, run: Run) -> tuple[Measurement, ...]:
    """The measurements of an item's letters that concern its doubt; none of a line or a page."""
    if len(item.glyphs) > MAX_QUESTION_LETTERS:
        return ()
    return tuple(
        m
        for m in run.pages[item.page].measurements
        if m.glyph in item.glyphs and m.defect == item.kind
    )


def is_in_name(item: Item, run: Run) -> bool:
    """Whether a letter of the item stands in a Divine Name."""
    return not run.pages[item.page].names.isdisjoint(item.glyphs)


def _draw_corners(picture: Pixels, box: Box, distance: float = 10) -> None:
    """Draw four corners around a letter, outside its ink, dark with a light halo; the frame of a
    narrow gap is at least `MIN_FRAME_PX` wide."""
    aside = max(distance, (MIN_FRAME_PX - box[2] + box[0]) / 2)
    x0, y0, x1, y1 = box[0] - aside, box[1] - distance, box[2] + aside, box[3] + distance
    arm = min(18.0, (x1 - x0) / 3, (y1 - y0) / 3)
    for colour, width in ((HALO_RGB, 7), (MARK_RGB, 3)):
        for x, dx in ((x0, arm), (x1, -arm)):
            for y, dy in ((y0, arm), (y1, -arm)):
                points = np.array([[x + dx, y], [x, y], [x, y + dy]])
                line = np.rint(points * 8).astype(np.int32)
                cv2.polylines(picture, [line], False, colour[::-1], width, cv2.LINE_AA, 3)


def crop_marks_svg(item: Item, run: Run, kind: CropKind, *, rulers: bool) -> Markup:
    """SVG over a crop: the letter's corners and, with `rulers`, the rulers of its measures."""
    width, height = CROP_FORMATS[kind].size
    affine, turns = page_to_crop(item, run, kind), quarter_turns(item, run)
    if turns == 2:
        # The coordinates are turned instead of the picture, so that figures stand upright.
        affine = PageToCrop(-affine.scale, width - affine.x, height - affine.y)
    size = (height, width) if turns % 2 else (width, height)
    inner = _corners_svg(item, affine)
    measures = shown_measures(measures_of(item, run)) if rulers else ()
    if measures:
        small = PageToCrop(*(value / RULER_SCALE for value in affine))
        drawn = draw_rulers(
            small, (round(size[0] / RULER_SCALE), round(size[1] / RULER_SCALE)), measures,
            around=item.box,
        )  # fmt: skip
        inner += f'<g transform="scale({RULER_SCALE:g})">{drawn}</g>'
    if turns % 2:
        inner = (
            f'<g transform="translate({width / 2:g} {height / 2:g}) rotate({-90 * turns}) '
            f'translate({-height / 2:g} {-width / 2:g})">{inner}</g>'
        )
    # Safe: it holds only numbers, and names that `draw_rulers` escapes.
    return Markup(inner)


def _corners_svg(item: Item, affine: PageToCrop) -> str:
    placed = affine.box(item.box)
    (x0, x1), (y0, y1) = sorted(placed[0::2]), sorted(placed[1::2])
    return _bracket_svg(
        x0 - CORNER_DISTANCE_PX,
        y0 - CORNER_DISTANCE_PX,
        x1 + CORNER_DISTANCE_PX,
        y1 + CORNER_DISTANCE_PX,
    )


def _bracket_svg(x0: float, y0: float, x1: float, y1: float) -> str:
    arm = min(39.0, (x1 - x0) / 3, (y1 - y0) / 3)
    path = "".join(
        f"M{x + dx:.1f} {y:.1f}H{x:.1f}V{y + dy:.1f}"
        for x, dx in ((x0, arm), (x1, -arm))
        for y, dy in ((y0, arm), (y1, -arm))
    )
    return f'<path class="halo" d="{path}"/><path class="mark" d="{path}"/>'

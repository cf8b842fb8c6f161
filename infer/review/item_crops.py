"""How a letter's picture is cut for the page: three forms, upright, the smallest one marked."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import cv2
import numpy as np
from markupsafe import Markup

from crownlet.infer.records import Box
from crownlet.infer.review.web.item_view import measures_of
from crownlet.infer.run.pictures import Affine, Pixels_crops, crop, frame
from crownlet.infer.view.rulers import CROP_BODY_PX, draw_rulers

if TYPE_CHECKING:
    from crownlet.infer.review.models import Item
    from crownlet.infer.run.run import Run

CropKind = Literal["wall", "line", "near"]

MARK_RGB, HALO_RGB = (0, 88, 143), (255, 255, 255)

MIN_FRAME_PX = 26.0
"""Least width of a frame, px."""


@dataclass(frozen=True)
class CropFormat:
    """How a picture of a letter is cut: width and height, px; body height, px; JPEG quality."""

    size: tuple[int, int]
    body: float
    quality: int
    marked: bool = False
    """Whether the letter's corners are drawn into the picture."""


WIDE_CROP_PX = (272, 124)
"""Size of the small picture of a stretched letter, two places of a wall, px."""

CROP_FORMATS: dict[CropKind, CropFormat] = {
    "wall": CropFormat((132, 124), 54, 84, marked=True),
    "line": CropFormat((960, 400), 140, 90),
    "near": CropFormat((960, 400), 240, 90),
}


def is_wide(item: Item) -> bool:
    """Whether a letter is so stretched that in one place of a wall its parts would be too small.

    That it is stretched is seen in one place as well.
    """
    if item.body is None or item.kind == "overstretched":
        return False
    sides = item.box[2] - item.box[0], item.box[3] - item.box[1]
    across = sides[round(item.body[3] / 90) % 2]
    form = CROP_FORMATS["wall"]
    return across * form.body / max(item.body[2], 1.0) > form.size[0]


def crop_format(item: Item, cut: CropKind) -> CropFormat:
    """How one of an item's pictures is cut."""
    form = CROP_FORMATS[cut]
    return replace(form, size=WIDE_CROP_PX) if cut == "wall" and is_wide(item) else form


def kulmus_px(item: Item, run: Run) -> float:
    """Kulmus at an item's place in px of its page."""
    record = run.pages[item.page].record
    return record.glyphs[item.glyphs[0] - 1].q if item.glyphs else record.q or 1.0


def quarter_turns(item: Item, run: Run) -> int:
    """Quarter turns, counter-clockwise, that set the writing upright at an item's place."""
    record = run.pages[item.page].record
    turn = record.glyphs[item.glyphs[0] - 1].rotation if item.glyphs else record.turn
    return round(turn / 90) % 4


def page_to_crop(item: Item, run: Run, cut: CropKind) -> Affine:
    """The way from page px to the px of one of its pictures before it is turned upright."""
    form = crop_format(item, cut)
    return frame(
        item.box,
        kulmus_px(item, run) * CROP_BODY_PX / form.body,
        _turned_size(form, quarter_turns(item, run)),
    )


def _turned_size(form: CropFormat, turns: int) -> tuple[int, int]:
    return (form.size[1], form.size[0]) if turns % 2 else form.size


def cut_crop(pixels: Pixels_crops, item: Item, run: Run, cut: CropKind) -> bytes:
    """A picture of an item as JPEG, from the pixels of its page, (H, W, 3) RGB."""
    form, turns = crop_format(item, cut), quarter_turns(item, run)
    window = crop(
        pixels, item.box, kulmus_px(item, run) * CROP_BODY_PX / form.body, _turned_size(form, turns)
    )
    picture = np.ascontiguousarray(window.pixels[..., ::-1])
    if form.marked:
        _draw_corners(picture, window.affine.box(item.box))
    upright = np.ascontiguousarray(np.rot90(picture, turns))
    if form.marked and is_in_name(item, run):
        _draw_word(upright, "Name")
    data = cv2.imencode(".jpg", upright, [cv2.IMWRITE_JPEG_QUALITY, form.quality])[1]
    return data.tobytes()


def is_in_name(item: Item, run: Run) -> bool:
    """Whether a letter of the item stands in a Divine Name."""
    return not run.pages[item.page].names.isdisjoint(item.glyphs)


def _draw_word(picture: Pixels_crops, text: str) -> None:
    """A word into the upper left corner, dark with a light halo."""
    for colour, width in ((HALO_RGB, 4), (MARK_RGB, 1)):
        cv2.putText(
            picture, text, (4, 14), cv2.FONT_HERSHEY_SIMPLEX, 0.42, colour[::-1], width, cv2.LINE_AA
        )


def _draw_corners(picture: Pixels_crops, box: Box, room: float = 5) -> None:
    """Draw four corners round a letter, outside its ink, dark with a light halo; a narrow white is
    framed as wide as can be seen."""
    aside = max(room, (MIN_FRAME_PX - box[2] + box[0]) / 2)
    x0, y0, x1, y1 = box[0] - aside, box[1] - room, box[2] + aside, box[3] + room
    arm = min(9.0, (x1 - x0) / 3, (y1 - y0) / 3)
    for colour, width in ((HALO_RGB, 4), (MARK_RGB, 2)):
        for x, dx in ((x0, arm), (x1, -arm)):
            for y, dy in ((y0, arm), (y1, -arm)):
                points = np.array([[x + dx, y], [x, y], [x, y + dy]])
                line = np.rint(points * 8).astype(np.int32)
                cv2.polylines(picture, [line], False, colour[::-1], width, cv2.LINE_AA, 3)


CORNER_DISTANCE_PX = 9.0
"""Between a letter's box and its corners, px."""

RULER_SCALE = 2.0
"""Rulers and their figures are drawn for small crops; these pictures are larger."""


def crop_marks_svg(item: Item, run: Run, cut: CropKind, *, rulers: bool) -> Markup:
    """SVG over a picture: the letter's corners and, with `rulers`, the rulers of its measures."""
    width, height = CROP_FORMATS[cut].size
    affine, turns = page_to_crop(item, run, cut), quarter_turns(item, run)
    if turns == 2:
        # Turned in the numbers, so that figures stand upright.
        affine = Affine(-affine.scale, width - affine.x, height - affine.y)
    size = (height, width) if turns % 2 else (width, height)
    inner = _corners_svg(item, affine)
    measures = measures_of(item, run) if rulers else ()
    if measures:
        small = Affine(*(value / RULER_SCALE for value in affine))
        drawn = draw_rulers(
            small, (round(size[0] / RULER_SCALE), round(size[1] / RULER_SCALE)), measures
        )
        inner += f'<g transform="scale({RULER_SCALE:g})">{drawn}</g>'
    if turns % 2:
        inner = (
            f'<g transform="translate({width / 2:g} {height / 2:g}) rotate({-90 * turns}) '
            f'translate({-height / 2:g} {-width / 2:g})">{inner}</g>'
        )
    # Numbers, and names that `overlay` escapes.
    return Markup(inner)


def _corners_svg(item: Item, affine: Affine) -> str:
    placed = affine.box(item.box)
    (x0, x1), (y0, y1) = sorted(placed[0::2]), sorted(placed[1::2])
    return _bracket_svg(
        x0 - CORNER_DISTANCE_PX,
        y0 - CORNER_DISTANCE_PX,
        x1 + CORNER_DISTANCE_PX,
        y1 + CORNER_DISTANCE_PX,
    )


def _bracket_svg(x0: float, y0: float, x1: float, y1: float) -> str:
    arm = min(26.0, (x1 - x0) / 3, (y1 - y0) / 3)
    path = "".join(
        f"M{x + dx:.1f} {y:.1f}H{x:.1f}V{y + dy:.1f}"
        for x, dx in ((x0, arm), (x1, -arm))
        for y, dy in ((y0, arm), (y1, -arm))
    )
    return f'<path class="halo" d="{path}"/><path class="mark" d="{path}"/>'

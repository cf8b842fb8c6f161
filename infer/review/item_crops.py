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
from crownlet.infer.view.rulers import BODY, overlay

if TYPE_CHECKING:
    from crownlet.infer.review.models import Item
    from crownlet.infer.run.run import Run

Cut = Literal["wall", "line", "near"]

MARK, HALO = (0, 88, 143), (255, 255, 255)

LEAST = 26.0
"""Least width of a frame, px."""


@dataclass(frozen=True)
class Form:
    """How a picture of a letter is cut: width and height, px; body height, px; JPEG quality."""

    size: tuple[int, int]
    body: float
    quality: int
    marked: bool = False
    """Whether the letter's corners are drawn into the picture."""


WIDE = (272, 124)
"""Size of the small picture of a stretched letter, two places of a wall, px."""

FORMS: dict[Cut, Form] = {
    "wall": Form((132, 124), 54, 84, marked=True),
    "line": Form((960, 400), 140, 90),
    "near": Form((960, 400), 240, 90),
}


def is_wide(item: Item) -> bool:
    """Whether a letter is so stretched that in one place of a wall its parts would be too small.

    That it is stretched is seen in one place as well.
    """
    if item.body is None or item.kind == "overstretched":
        return False
    sides = item.box[2] - item.box[0], item.box[3] - item.box[1]
    across = sides[round(item.body[3] / 90) % 2]
    form = FORMS["wall"]
    return across * form.body / max(item.body[2], 1.0) > form.size[0]


def form_of(item: Item, cut: Cut) -> Form:
    """How one of an item's pictures is cut."""
    form = FORMS[cut]
    return replace(form, size=WIDE) if cut == "wall" and is_wide(item) else form


def q_of(item: Item, run: Run) -> float:
    """Kulmus at an item's place in px of its page."""
    record = run.pages[item.page].record
    return record.glyphs[item.glyphs[0] - 1].q if item.glyphs else record.q or 1.0


def quarters(item: Item, run: Run) -> int:
    """Quarter turns, counter-clockwise, that set the writing upright at an item's place."""
    record = run.pages[item.page].record
    turn = record.glyphs[item.glyphs[0] - 1].body[3] if item.glyphs else record.turn
    return round(turn / 90) % 4


def affine_of(item: Item, run: Run, cut: Cut) -> Affine:
    """The way from page px to the px of one of its pictures before it is turned upright."""
    form = form_of(item, cut)
    return frame(item.box, q_of(item, run) * BODY / form.body, _lying(form, quarters(item, run)))


def _lying(form: Form, turns: int) -> tuple[int, int]:
    return (form.size[1], form.size[0]) if turns % 2 else form.size


def cut_picture(pixels: Pixels_crops, item: Item, run: Run, cut: Cut) -> bytes:
    """A picture of an item as JPEG, from the pixels of its page, (H, W, 3) RGB."""
    form, turns = form_of(item, cut), quarters(item, run)
    window = crop(pixels, item.box, q_of(item, run) * BODY / form.body, _lying(form, turns))
    picture = np.ascontiguousarray(window.pixels[..., ::-1])
    if form.marked:
        _corners(picture, window.affine.box(item.box))
    upright = np.ascontiguousarray(np.rot90(picture, turns))
    if form.marked and in_name(item, run):
        _write(upright, "Name")
    data = cv2.imencode(".jpg", upright, [cv2.IMWRITE_JPEG_QUALITY, form.quality])[1]
    return data.tobytes()


def in_name(item: Item, run: Run) -> bool:
    """Whether a letter of the item stands in a Divine Name."""
    return not run.pages[item.page].names.isdisjoint(item.glyphs)


def _write(picture: Pixels_crops, text: str) -> None:
    """A word into the upper left corner, dark with a light halo."""
    for colour, width in ((HALO, 4), (MARK, 1)):
        cv2.putText(
            picture, text, (4, 14), cv2.FONT_HERSHEY_SIMPLEX, 0.42, colour[::-1], width, cv2.LINE_AA
        )


def _corners(picture: Pixels_crops, box: Box, room: float = 5) -> None:
    """Draw four corners round a letter, outside its ink, dark with a light halo; a narrow white is
    framed as wide as can be seen."""
    aside = max(room, (LEAST - box[2] + box[0]) / 2)
    x0, y0, x1, y1 = box[0] - aside, box[1] - room, box[2] + aside, box[3] + room
    arm = min(9.0, (x1 - x0) / 3, (y1 - y0) / 3)
    for colour, width in ((HALO, 4), (MARK, 2)):
        for x, dx in ((x0, arm), (x1, -arm)):
            for y, dy in ((y0, arm), (y1, -arm)):
                points = np.array([[x + dx, y], [x, y], [x, y + dy]])
                line = np.rint(points * 8).astype(np.int32)
                cv2.polylines(picture, [line], False, colour[::-1], width, cv2.LINE_AA, 3)


ROOM = 9.0
"""Between a letter's box and its corners, px."""

LARGER = 2.0
"""Rulers and their figures are drawn for small crops; these pictures are larger."""


def picture_marks(item: Item, run: Run, cut: Cut, *, rulers: bool) -> Markup:
    """SVG over a picture: the letter's corners and, with `rulers`, the rulers of its measures."""
    width, height = FORMS[cut].size
    affine, turns = affine_of(item, run, cut), quarters(item, run)
    if turns == 2:
        # Turned in the numbers, so that figures stand upright.
        affine = Affine(-affine.scale, width - affine.x, height - affine.y)
    size = (height, width) if turns % 2 else (width, height)
    inner = _corners_marks(item, affine)
    measures = measures_of(item, run) if rulers else ()
    if measures:
        small = Affine(*(value / LARGER for value in affine))
        drawn = overlay(small, (round(size[0] / LARGER), round(size[1] / LARGER)), measures)
        inner += f'<g transform="scale({LARGER:g})">{drawn}</g>'
    if turns % 2:
        inner = (
            f'<g transform="translate({width / 2:g} {height / 2:g}) rotate({-90 * turns}) '
            f'translate({-height / 2:g} {-width / 2:g})">{inner}</g>'
        )
    # Numbers, and names that `overlay` escapes.
    return Markup(inner)


def _corners_marks(item: Item, affine: Affine) -> str:
    placed = affine.box(item.box)
    (x0, x1), (y0, y1) = sorted(placed[0::2]), sorted(placed[1::2])
    return _bracket(x0 - ROOM, y0 - ROOM, x1 + ROOM, y1 + ROOM)


def _bracket(x0: float, y0: float, x1: float, y1: float) -> str:
    arm = min(26.0, (x1 - x0) / 3, (y1 - y0) / 3)
    path = "".join(
        f"M{x + dx:.1f} {y:.1f}H{x:.1f}V{y + dy:.1f}"
        for x, dx in ((x0, arm), (x1, -arm))
        for y, dy in ((y0, arm), (y1, -arm))
    )
    return f'<path class="halo" d="{path}"/><path class="mark" d="{path}"/>'

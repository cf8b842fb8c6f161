"""How a letter's picture is cut for the page: three forms, upright, the smallest one marked."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import cv2
import numpy as np

from crownlet.infer.records import Box
from crownlet.infer.run.crops import BODY, Affine, Pixels, crop, frame

if TYPE_CHECKING:
    from crownlet.infer.review.store import Item
    from crownlet.infer.run import Run

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


def cut_picture(pixels: Pixels, item: Item, run: Run, cut: Cut) -> bytes:
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


def _write(picture: Pixels, text: str) -> None:
    """A word into the upper left corner, dark with a light halo."""
    for colour, width in ((HALO, 4), (MARK, 1)):
        cv2.putText(
            picture, text, (4, 14), cv2.FONT_HERSHEY_SIMPLEX, 0.42, colour[::-1], width, cv2.LINE_AA
        )


def _corners(picture: Pixels, box: Box, room: float = 5) -> None:
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

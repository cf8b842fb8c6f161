"""What is drawn over a picture: the letter's corners and, where it may be told, rulers."""

from __future__ import annotations

from typing import TYPE_CHECKING

from markupsafe import Markup

from crownlet.infer.measuring.drawing import overlay
from crownlet.infer.review.forms import FORMS, Cut, affine_of, quarters
from crownlet.infer.review.showing import measures_of
from crownlet.infer.run.crops import Affine

if TYPE_CHECKING:
    from crownlet.infer.review.store import Item
    from crownlet.infer.run import Run

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
    inner = _corners(item, affine)
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


def _corners(item: Item, affine: Affine) -> str:
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

"""Rulers drawn beside what they measure: a fragment of SVG, so that the pixels stay as they are.

A ruler lies outside the letter, parallel to its measure and as long, so that it covers neither the
gap nor the ink that it speaks of; where a measure is a single place, a pointer outside the letter
shows towards it. A dark line on a broader pale one shows on ink and on skin, and to every eye.
"""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from math import hypot

from crownlet.infer.records import Box, Measurement, Point
from crownlet.infer.view.lengths import label_length

VIEW_BODY_PX = 60.0
"""Body height of a letter in a crop, px."""

HALF_TICK_PX = 3.5
"""In px of the crop."""

MIN_RULER_PX = 1.0
"""A shorter ruler is a place: a ring is drawn around it."""

RING_RADIUS_PX = 4.0

OUTSIDE_PX, POINTER_PX = 5.0, 9.0
"""Distance of the first ruler from the letter's box, and length of a pointer, px of the crop."""

PALE_COLOUR, DARK_COLOUR = "#ffffff", "#16335b"

BROAD_LINE_PX, FINE_LINE_PX = 2.6, 1.1

MAX_INLINE_LABELS = 1
"""With more measures the lengths stand in a list below, by number, where they hide no ink."""

TEXT_HEIGHT_PX, TEXT_OFFSET_PX = 8.0, 5.0
"""Height of the figures, and their distance from the ruler."""

Affine = tuple[float, float, float]
"""(scale, x, y): page px to crop px is `scale * page + (x, y)`."""


def draw_rulers(
    affine: Affine,
    size: tuple[int, int],
    measurements: Iterable[Measurement],
    *,
    around: Box | None = None,
    lettered: bool = True,
) -> str:
    """An `<svg>` of `size` (width, height) px with the rulers of one crop, to be laid over it.

    `around` is the box of the letter in px of the page: rulers are set outside it. Without
    `lettered` the lengths are left to whoever sets them beside the crop.
    Only numbers and the names of measures stand in it; with no measures it is empty.
    """
    width, height = size
    listed = tuple(measurements)
    beside = len(listed) <= MAX_INLINE_LABELS
    drawn: list[str] = []
    for k, measurement in enumerate(listed):
        start, end = (_to_crop(affine, p) for p in (measurement.start, measurement.end))
        pointed = hypot(end[0] - start[0], end[1] - start[1]) < MIN_RULER_PX
        if around is not None:
            outside = _box_to_crop(affine, around)
            aside = OUTSIDE_PX + k * (2 * HALF_TICK_PX + 1)
            start, end = set_aside(start, end, outside, aside, size)
        lines = _pointer(start, end) if pointed and around else _ruler_lines(start, end)
        figure = ruler_label(measurement)
        written = figure if beside else str(k + 1)
        figures = _figure_text(
            _inside_crop(_beside_ruler(start, end, len(written)), size, len(written)), written
        )
        if not beside:
            at = 2.0, height - 3.0 - (len(listed) - 1 - k) * (TEXT_HEIGHT_PX + 1.0)
            figures += _figure_text(at, f"{k + 1}: {figure}")
        figures = figures if lettered else ""
        drawn.append(
            f'<g class="ruler" data-measure="{escape(measurement.name)}" '
            f'data-claim="{measurement.claim}">'
            f"{lines}{figures}</g>"
        )
    return (
        f'<svg class="rulers" xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" fill="none" stroke-linecap="round" direction="ltr">'
        f"{''.join(drawn)}</svg>"
    )


def ruler_label(measurement: Measurement) -> str:
    """The length, such as `0.4 mm`, or `½ pen` where no mm are known."""
    return label_length(measurement.q, measurement.mm)


def set_aside(
    start: Point, end: Point, box: Box, aside: float, size: tuple[int, int]
) -> tuple[Point, Point]:
    """A measure moved across its own direction until it lies `aside` px outside the box.

    To the nearer side on which it stays on the crop of `size` px. A measure of no length becomes a
    pointer: it begins outside, below or above, and its end shows towards the place.
    """
    dx, dy = end[0] - start[0], end[1] - start[1]
    length = hypot(dx, dy)
    if length < MIN_RULER_PX:
        return _point_from_outside(start, box, aside, size)
    across = (-dy / length, dx / length)
    corners = [(x, y) for x in (box[0], box[2]) for y in (box[1], box[3])]
    reach = [(x - start[0]) * across[0] + (y - start[1]) * across[1] for x, y in corners]
    moves = sorted((max(reach) + aside, min(reach) - aside), key=abs)

    def moved(by: float) -> tuple[Point, Point]:
        shift = (across[0] * by, across[1] * by)
        return (
            (start[0] + shift[0], start[1] + shift[1]), (end[0] + shift[0], end[1] + shift[1])
        )  # fmt: skip

    places = [moved(by) for by in moves]
    return next((each for each in places if _is_inside(each, size)), places[0])


def _point_from_outside(
    at: Point, box: Box, aside: float, size: tuple[int, int]
) -> tuple[Point, Point]:
    """From below the box towards a place, or from above where the crop ends."""
    low = box[3] + aside + POINTER_PX
    if low < size[1]:
        return (at[0], low), (at[0], box[3] + aside / 2)
    return (at[0], max(0.0, box[1] - aside - POINTER_PX)), (at[0], box[1] - aside / 2)


def _is_inside(line: tuple[Point, Point], size: tuple[int, int]) -> bool:
    return all(2 <= x <= size[0] - 2 and 2 <= y <= size[1] - 2 for x, y in line)


def _box_to_crop(affine: Affine, box: Box) -> Box:
    (x0, y0), (x1, y1) = _to_crop(affine, box[:2]), _to_crop(affine, box[2:])
    return min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1)


def _pointer(start: Point, end: Point) -> str:
    """An arrow whose head is at `end`, pale and broad below, dark and fine above."""
    back = HALF_TICK_PX if start[1] > end[1] else -HALF_TICK_PX
    shape = (
        f'<path d="M{start[0]:.1f} {start[1]:.1f}V{end[1]:.1f}M{end[0] - HALF_TICK_PX:.1f} '
        f"{end[1] + back:.1f}L{end[0]:.1f} {end[1]:.1f}L{end[0] + HALF_TICK_PX:.1f} "
        f'{end[1] + back:.1f}"'
    )
    return _in_both_pens(shape)


def _to_crop(affine: Affine, point: Point) -> Point:
    scale, x, y = affine
    return scale * point[0] + x, scale * point[1] + y


def _ruler_lines(start: Point, end: Point) -> str:
    """The ruler twice, pale and broad below, dark and fine above."""
    dx, dy = end[0] - start[0], end[1] - start[1]
    length = hypot(dx, dy)
    if length < MIN_RULER_PX:
        shape = f'<circle cx="{start[0]:.1f}" cy="{start[1]:.1f}" r="{RING_RADIUS_PX:g}"'
    else:
        u, v = -dy / length * HALF_TICK_PX, dx / length * HALF_TICK_PX
        ticks = (f"M{x - u:.1f} {y - v:.1f}L{x + u:.1f} {y + v:.1f}" for x, y in (start, end))
        line = f"M{start[0]:.1f} {start[1]:.1f}L{end[0]:.1f} {end[1]:.1f}"
        shape = f'<path d="{line}{"".join(ticks)}"'
    return _in_both_pens(shape)


def _in_both_pens(shape: str) -> str:
    pens = ((PALE_COLOUR, BROAD_LINE_PX), (DARK_COLOUR, FINE_LINE_PX))
    return "".join(f'{shape} stroke="{ink}" stroke-width="{pen:g}"/>' for ink, pen in pens)


def _figure_text(at: Point, text: str) -> str:
    return (
        f'<text x="{at[0]:.1f}" y="{at[1]:.1f}" font-family="sans-serif" '
        f'font-size="{TEXT_HEIGHT_PX:g}" fill="{DARK_COLOUR}" stroke="{PALE_COLOUR}" '
        f'stroke-width="2.2" paint-order="stroke">{text}</text>'
    )


def _beside_ruler(start: Point, end: Point, letters: int) -> Point:
    """Where a text of `letters` letters begins: right of a steep ruler, above a level one."""
    x, y = (start[0] + end[0]) / 2, (start[1] + end[1]) / 2
    if abs(end[1] - start[1]) >= abs(end[0] - start[0]):
        return max(start[0], end[0]) + TEXT_OFFSET_PX, y + TEXT_HEIGHT_PX / 3
    return x - _text_width(letters) / 2, min(start[1], end[1]) - TEXT_OFFSET_PX


def _inside_crop(at: Point, size: tuple[int, int], letters: int) -> Point:
    """The place moved into the crop."""
    x = min(max(at[0], 1.0), max(1.0, size[0] - _text_width(letters) - 1.0))
    return x, min(max(at[1], TEXT_HEIGHT_PX), size[1] - 2.0)


def _text_width(letters: int) -> float:
    return 0.55 * TEXT_HEIGHT_PX * letters

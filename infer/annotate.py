"""A page with its places marked, for eyes that see colours in whatever way.

A finding has a solid vermilion frame and a number on a filled tab, a review a dashed blue frame and
a number with a question mark, a clear letter only grey corners: line, mark and colour each say it.
Colours are of Okabe and Ito's palette for all kinds of colour vision.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

from crownlet.infer.places import Place, places
from crownlet.infer.records import Box, PageRecord

Pixels = npt.NDArray[np.uint8]
Colour = tuple[int, int, int]

FINDING: Colour = (213, 94, 0)
REVIEW: Colour = (0, 114, 178)
CLEAR: Colour = (120, 135, 130)
TEXT: Colour = (38, 36, 33)
PANEL: Colour = (250, 248, 244)
BODY = (26.0, 40.0)
"""Letters of a marked picture are brought into this range of body heights, px."""


def annotated(image: Pixels, page: PageRecord) -> Image.Image:
    """The page with frames and numbers, and beside it the legend and the list of places."""
    scale = float(np.clip(3 * page.q, *BODY)) / (3 * page.q)
    size = (round(image.shape[1] * scale), round(image.shape[0] * scale))
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    small = np.asarray(cv2.resize(image, size, interpolation=way), np.uint8)
    picture = Image.fromarray(small).convert("RGB")
    marks = places(page)
    draw = ImageDraw.Draw(picture)
    for glyph in page.glyphs:
        if glyph.route == "clear":
            _corners(draw, _scaled(glyph.box, scale))
    for mark in sorted(marks, key=lambda mark: mark.route == "finding"):
        _frame(draw, _scaled(mark.box, scale), mark)
    return _with_panel(picture, page, marks)


def _scaled(box: Box, scale: float) -> Box:
    x0, y0, x1, y1 = (value * scale for value in box)
    return x0 - 2, y0 - 2, x1 + 2, y1 + 2


def _corners(draw: ImageDraw.ImageDraw, box: Box) -> None:
    """Small corners, that a clear letter is known to be seen."""
    x0, y0, x1, y1 = box
    arm = 4
    for x, dx in ((x0, arm), (x1, -arm)):
        for y, dy in ((y0, arm), (y1, -arm)):
            draw.line([(x + dx, y), (x, y), (x, y + dy)], fill=CLEAR, width=1)


def _frame(draw: ImageDraw.ImageDraw, box: Box, mark: Place) -> None:
    """A frame in the manner of the route, with the place's number on a tab above it."""
    finding = mark.route == "finding"
    colour = FINDING if finding else REVIEW
    if finding:
        draw.rectangle(box, outline=colour, width=3)
    else:
        _dashed(draw, box, colour)
    label = str(mark.number) if finding else f"{mark.number}?"
    font = lettering(15)
    width = draw.textlength(label, font=font)
    x, y = box[0], max(0.0, box[1] - 17)
    tab = (x, y, x + width + 6, y + 17)
    draw.rectangle(tab, fill=colour if finding else PANEL, outline=colour, width=1)
    draw.text((x + 3, y), label, font=font, fill=PANEL if finding else colour)


def _dashed(draw: ImageDraw.ImageDraw, box: Box, colour: Colour) -> None:
    x0, y0, x1, y1 = box
    dash, step = 5, 9
    for y in (y0, y1):
        for x in np.arange(x0, x1, step):
            draw.line([(x, y), (min(x + dash, x1), y)], fill=colour, width=2)
    for x in (x0, x1):
        for y in np.arange(y0, y1, step):
            draw.line([(x, y), (x, min(y + dash, y1))], fill=colour, width=2)


@cache
def lettering(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """Pillow's own Latin face: no font file is needed."""
    return ImageFont.load_default(size)


WIDTH, LINE = 430, 22
_KEY: tuple[tuple[str, str], ...] = (
    ("finding", "finding: look here first"),
    ("review", "review: the program is in doubt"),
    ("clear", "clear: nothing found; no approval"),
)


def _with_panel(picture: Image.Image, page: PageRecord, marks: Sequence[Place]) -> Image.Image:
    """The legend and as many places as there is room for, findings first, left of the page."""
    height = max(picture.height, 420)
    sheet = Image.new("RGB", (picture.width + WIDTH, height), PANEL)
    sheet.paste(picture, (WIDTH, 0))
    draw = ImageDraw.Draw(sheet)
    draw.text((24, 20), page.name, font=lettering(24), fill=TEXT)
    y = 62
    for route, words in _KEY:
        _key_mark(draw, (24, y + 2, 42, y + 18), route)
        draw.text((54, y), words, font=lettering(16), fill=TEXT)
        y += 26
    y += 10
    draw.line([(24, y), (WIDTH - 24, y)], fill=CLEAR, width=1)
    y += 12
    room = (height - y - 60) // LINE
    ranked = sorted(marks, key=lambda mark: (mark.route != "finding", mark.number))
    for mark in ranked[:room]:
        _entry(draw, y, mark)
        y += LINE
    if len(ranked) > room:
        rest = f"and {len(ranked) - room} more places in the tables"
        draw.text((24, y), rest, font=lettering(15), fill=TEXT)
    foot = "A finding is a place to look at, never a ruling."
    draw.text((24, height - 32), foot, font=lettering(14), fill=CLEAR)
    return sheet


def _key_mark(draw: ImageDraw.ImageDraw, box: Box, route: str) -> None:
    if route == "finding":
        draw.rectangle(box, outline=FINDING, width=3)
    elif route == "review":
        _dashed(draw, box, REVIEW)
    else:
        _corners(draw, box)


def _entry(draw: ImageDraw.ImageDraw, y: float, mark: Place) -> None:
    """One line of the list: number, letter and reasons, cut to the panel."""
    finding = mark.route == "finding"
    label = f"{mark.number}" if finding else f"{mark.number}?"
    font = lettering(15)
    draw.text((24, y), label, font=font, fill=FINDING if finding else REVIEW)
    at = mark.where.split(",")[0]
    edge = WIDTH - 24 - draw.textlength(at, font=font)
    draw.text((edge, y), at, font=font, fill=CLEAR)
    text = mark.text
    while draw.textlength(text, font=font) > edge - 82:
        text = text[:-2].rstrip(" ,.") + "…"
    draw.text((70, y), text, font=font, fill=TEXT)

"""Pictures of a sheet as data URIs: windows around letters, and the page small.

All windows of one entry have one scale, so that what was found, its neighbour that is well formed
and our drawing can be compared by eye.
"""

from __future__ import annotations

import base64
from collections.abc import Collection, Iterable
from dataclasses import dataclass

import cv2
import numpy as np

from crownlet.infer.records import Box, GlyphRecord
from crownlet.infer.run.pictures import PageToCrop, crop_window
from crownlet.infer.sheet.upright import Pixels, QuarterTurn
from crownlet.infer.sheet.veil import PLATE_RGB, VeiledPage
from crownlet.infer.view.rulers import VIEW_BODY_PX

KULMUS_PX = (20.0, 32.0)
"""Least and greatest width of the pen in a picture, px; between them the scan's px are kept."""

MIN_PAGE_SIDE_PX = 1300
"""Longer side of the page's picture for a body of 20 px or less; more for smaller writing."""

PAGE_MARGIN_Q = 5.0
"""q of margin about the writing in the page's picture."""

LIGHT_PARCHMENT = 229.0
"""Brightness of the parchment in the page's picture, 0 to 255."""

INK_SHARE = 0.85
"""Share of its darkness that the lightened ink keeps."""

JPEG_QUALITY = 82


@dataclass(frozen=True)
class EmbeddedPicture:
    """An image to be set in a page."""

    uri: str
    width: int
    height: int


@dataclass(frozen=True)
class PictureWindow:
    """A picture of a place, and where the page's px lie in it."""

    picture: EmbeddedPicture
    turn: QuarterTurn
    affine: PageToCrop

    def box(self, box: Box) -> Box:
        """A box of the page in px of the picture."""
        return self.affine.box(self.turn.box(box))

    def point(self, x: float, y: float) -> tuple[float, float]:
        """A point of the page in px of the picture."""
        return self.affine.point(*self.turn.point(x, y))


def cut_window(
    page: VeiledPage,
    box: Box,
    size_q: tuple[float, float],
    q: float,
    rotation: float,
    letters: Collection[GlyphRecord] = (),
    uncovered: Iterable[Box] = (),
    q_px: tuple[float, float] = KULMUS_PX,
) -> PictureWindow:
    """A window of `size_q` (width, height in q) about the middle of `box`, upright.

    `box` and `q` are in px of the page as given, `rotation` in degrees clockwise. Of the Names only
    the `letters` are shown, and the contents of the boxes `uncovered`.
    """
    turn = QuarterTurn.upright(rotation, page.pixels)
    scale = float(np.clip(q, *q_px))
    size = (round(size_q[0] * scale), round(size_q[1] * scale))
    x, y = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
    middle = turn.box((x, y, x, y))
    # `crop` makes bodies of VIEW_BODY_PX px; given a smaller kulmus it shows more.
    unit = q * (VIEW_BODY_PX / 3) / scale
    covered, affine = crop_window(turn.view(page.covered), middle, unit, size)
    holes = [*page.uncovered_boxes(letters, box), *uncovered]
    if holes:
        for plate in page.plate_boxes(letters):
            # Without the word on it, of which an uncovered letter would leave pieces.
            x0, y0, x1, y1 = _pixel_box(affine.box(turn.box(plate)), size)
            covered[y0:y1, x0:x1] = PLATE_RGB
        seen, _ = crop_window(turn.view(page.pixels), middle, unit, size)
        for hole in holes:
            x0, y0, x1, y1 = _pixel_box(affine.box(turn.box(hole)), size)
            covered[y0:y1, x0:x1] = seen[y0:y1, x0:x1]
    return PictureWindow(encode_jpeg(covered), turn, affine)


def _pixel_box(box: Box, size: tuple[int, int]) -> tuple[int, int, int, int]:
    x0, x1 = np.clip([np.floor(box[0]), np.ceil(box[2])], 0, size[0]).astype(int)
    y0, y1 = np.clip([np.floor(box[1]), np.ceil(box[3])], 0, size[1]).astype(int)
    return int(x0), int(y0), int(x1), int(y1)


def shrink_page(page: VeiledPage) -> tuple[EmbeddedPicture, QuarterTurn, Box]:
    """The written part of the page, upright and small; the turn, and the part in px as seen.

    Lightened, so that marks stand out and little toner is used.
    """
    turn = QuarterTurn(page.record.turn // 90 % 4, page.pixels.shape[1], page.pixels.shape[0])
    part = _written_part(page, turn)
    x0, y0, x1, y1 = (round(v) for v in part)
    body = max(3 * page.record.q, 1.0)
    scale = min(1.0, max(MIN_PAGE_SIDE_PX / max(y1 - y0, x1 - x0), 20.0 / body))

    def small(pixels: Pixels) -> Pixels:
        view = turn.view(pixels)[y0:y1, x0:x1]
        size = (max(1, round(view.shape[1] * scale)), max(1, round(view.shape[0] * scale)))
        # OpenCV reads rows at any distance; a copy of a large page takes half a gigabyte.
        if view.strides[1:] != (3, 1) or view.strides[0] < 0:
            view = np.ascontiguousarray(view)
        return np.asarray(cv2.resize(view, size, interpolation=cv2.INTER_AREA), np.uint8)

    covered = small(page.covered)
    light = lighten(covered)
    if page.names:
        # Plates keep their tone; lightened, they would not be seen.
        plates = np.abs(covered.astype(np.int16) - small(page.pixels)).max(axis=2) > 0
        light[plates] = covered[plates]
    return encode_jpeg(light), turn, (x0, y0, x1, y1)


def lighten(page: Pixels) -> Pixels:
    """The page with its parchment brought to one brightness, every pixel (RGB) keeping its hue.

    All channels are multiplied alike, and white is mixed in; neither changes a hue.
    """
    parchment = np.percentile(page[::4, ::4].reshape(-1, 3), 70, axis=0)
    factor = LIGHT_PARCHMENT / max(float(parchment.mean()), 30.0)
    even = page.astype(np.float32) * factor
    # Pixels brighter than white are scaled back in all channels alike, which keeps their hue.
    even *= 255.0 / np.maximum(even.max(axis=2, keepdims=True), 255.0)
    return np.asarray(255.0 - INK_SHARE * (255.0 - even), np.uint8)


def _written_part(page: VeiledPage, turn: QuarterTurn) -> Box:
    """All letters with some margin, as far as the page goes."""
    width, height = turn.size
    if not page.record.glyphs:
        return 0.0, 0.0, float(width), float(height)
    boxes = np.array([turn.box(glyph.box) for glyph in page.record.glyphs])
    margin = PAGE_MARGIN_Q * page.record.q
    x0, y0 = np.maximum(np.floor(boxes[:, :2].min(axis=0) - margin), 0)
    x1, y1 = np.minimum(np.ceil(boxes[:, 2:].max(axis=0) + margin), (width, height))
    return float(x0), float(y0), float(x1), float(y1)


def encode_jpeg(pixels: Pixels, quality: int = JPEG_QUALITY) -> EmbeddedPicture:
    """RGB pixels as a JPEG in a data URI."""
    bgr = cv2.cvtColor(np.ascontiguousarray(pixels), cv2.COLOR_RGB2BGR)
    done, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise ValueError(f"a picture of {pixels.shape} cannot be encoded")
    text = base64.b64encode(data.tobytes()).decode("ascii")
    return EmbeddedPicture(f"data:image/jpeg;base64,{text}", pixels.shape[1], pixels.shape[0])

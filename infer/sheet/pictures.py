"""Pictures of a sheet as data URIs: windows around letters, and the page small.

All windows of one entry have one scale, so that what was found, its neighbour that is well formed
and our drawing can be compared by eye.
"""

from __future__ import annotations

import base64
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from weakref import ref

import cv2
import numpy as np

from crownlet.infer.records import Box, GlyphRecord
from crownlet.infer.run.pictures import PageToCrop, crop_window, place_crop
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


class EmbeddedPicture:
    """An image of `width` x `height` px to be set in a page; drawn when its address is asked for.

    `draw` makes it, RGB, of the pixels as given and those with Names covered.
    """

    def __init__(
        self, page: VeiledPage, size: tuple[int, int], draw: Callable[[Pixels, Pixels], Pixels]
    ) -> None:
        self.width, self.height = size
        # A template may hold its pictures for some time: what is drawn no longer holds the page,
        # and the page holds none, so that its pixels go after use.
        self._page: VeiledPage | None = page
        self._uri = ""
        waiting = ref(self)

        def keep(pixels: Pixels, covered: Pixels) -> None:
            picture = waiting()
            if picture is not None:
                picture._uri, picture._page = encode_jpeg(draw(pixels, covered)), None

        page.when_read(keep)

    @property
    def uri(self) -> str:
        """A JPEG in a data URI; PageError if the page's picture has moved."""
        if self._page is not None:
            self._page.do_waiting()
        return self._uri

    def __eq__(self, other: object) -> bool:
        return isinstance(other, EmbeddedPicture) and self.uri == other.uri

    def __hash__(self) -> int:
        return hash(self.uri)


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
    turn = QuarterTurn.upright(rotation, page.size)
    scale = float(np.clip(q, *q_px))
    size = (round(size_q[0] * scale), round(size_q[1] * scale))
    x, y = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
    middle = turn.box((x, y, x, y))
    # `crop` makes bodies of VIEW_BODY_PX px; given a smaller kulmus it shows more.
    unit = q * (VIEW_BODY_PX / 3) / scale
    affine = place_crop(middle, unit, size)
    holes = [*page.uncovered_boxes(letters, box), *uncovered]
    # Without the word on them, of which an uncovered letter would leave pieces.
    plates = page.plate_boxes(letters) if holes else ()

    def draw(pixels: Pixels, covered: Pixels) -> Pixels:
        shown = crop_window(turn.view(covered), middle, unit, size).pixels
        for plate in plates:
            x0, y0, x1, y1 = _pixel_box(affine.box(turn.box(plate)), size)
            shown[y0:y1, x0:x1] = PLATE_RGB
        if holes:
            seen = crop_window(turn.view(pixels), middle, unit, size).pixels
            for hole in holes:
                x0, y0, x1, y1 = _pixel_box(affine.box(turn.box(hole)), size)
                shown[y0:y1, x0:x1] = seen[y0:y1, x0:x1]
        return shown

    return PictureWindow(EmbeddedPicture(page, size, draw), turn, affine)


def _pixel_box(box: Box, size: tuple[int, int]) -> tuple[int, int, int, int]:
    x0, x1 = np.clip([np.floor(box[0]), np.ceil(box[2])], 0, size[0]).astype(int)
    y0, y1 = np.clip([np.floor(box[1]), np.ceil(box[3])], 0, size[1]).astype(int)
    return int(x0), int(y0), int(x1), int(y1)


def shrink_page(page: VeiledPage) -> tuple[EmbeddedPicture, QuarterTurn, Box]:
    """The written part of the page, upright and small; the turn, and the part in px as seen.

    Lightened, so that marks stand out and little toner is used.
    """
    turn = QuarterTurn(page.record.turn // 90 % 4, *page.size)
    part = _written_part(page, turn)
    x0, y0, x1, y1 = (round(v) for v in part)
    body = max(3 * page.record.q, 1.0)
    scale = min(1.0, max(MIN_PAGE_SIDE_PX / max(y1 - y0, x1 - x0), 20.0 / body))
    size = (max(1, round((x1 - x0) * scale)), max(1, round((y1 - y0) * scale)))

    def small(pixels: Pixels) -> Pixels:
        view = turn.view(pixels)[y0:y1, x0:x1]
        # OpenCV reads rows at any distance; a copy of a large page takes half a gigabyte.
        if view.strides[1:] != (3, 1) or view.strides[0] < 0:
            view = np.ascontiguousarray(view)
        return np.asarray(cv2.resize(view, size, interpolation=cv2.INTER_AREA), np.uint8)

    has_names = bool(page.names)

    def draw(pixels: Pixels, covered: Pixels) -> Pixels:
        veiled = small(covered)
        light = lighten(veiled)
        if has_names:
            # Plates keep their tone; lightened, they would not be seen.
            plates = np.abs(veiled.astype(np.int16) - small(pixels)).max(axis=2) > 0
            light[plates] = veiled[plates]
        return light

    return EmbeddedPicture(page, size, draw), turn, (x0, y0, x1, y1)


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


def encode_jpeg(pixels: Pixels, quality: int = JPEG_QUALITY) -> str:
    """RGB pixels as a JPEG in a data URI."""
    bgr = cv2.cvtColor(np.ascontiguousarray(pixels), cv2.COLOR_RGB2BGR)
    done, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise ValueError(f"a picture of {pixels.shape} cannot be encoded")
    text = base64.b64encode(data.tobytes()).decode("ascii")
    return f"data:image/jpeg;base64,{text}"

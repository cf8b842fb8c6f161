"""Photographs with the size of their writing, and renders at the same size beside them.

`job=proof` draws strips of both at one body height.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import islice
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from crownlet.datasets.files.atomic import write_file
from crownlet.datasets.files.images import PageError, read_page
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import Augment, Device, PageSpec
from crownlet.infer.inspector import Inspector
from crownlet.train.realism.patches import Image, WritingPicture, cut_patches

PHOTO_SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp")

_SEED_STEP = 7919
"""Distance of the first seeds of one photograph and the next."""

PenWidthReader = Callable[[Path], float | None]
"""The pen width in px of the writing in a picture; None where there is none."""


STRIP_Q = (6.5, 16.0)
"""Height and width of a strip in pen widths: a line of writing with its crowns."""

PX_PER_Q = 18

_GAP_PX = 6


def pen_width_reader(model: str | Path) -> PenWidthReader:
    """Sizes as the networks in the folder `model` read them."""
    inspector = Inspector(model)

    def size(path: Path) -> float | None:
        try:
            glyphs = inspector.inspect(path).glyphs
        except PageError:
            return None
        return float(np.median([glyph.q for glyph in glyphs])) if glyphs else None

    return size


def read_photographs(folder: Path, size: PenWidthReader) -> list[WritingPicture]:
    """The pictures of `folder` that hold writing, by name; the others are left out.

    FileNotFoundError if there is no such folder.
    """
    found = []
    for path in sorted(p for p in folder.iterdir() if p.suffix.lower() in PHOTO_SUFFIXES):
        q = size(path)
        if q is not None:
            pixels = read_page(path).pixels
            image = pixels if pixels.ndim == 3 else np.dstack([pixels] * 3)
            found.append(WritingPicture(path.name, path.name, image, q, True))
    return found


def render_beside(
    photo: WritingPicture, count: int, seed: int, device: Device = "camera"
) -> Iterator[WritingPicture]:
    """`count` renders whose writing is as large as that of `photo`, of its frame or larger."""
    height, width = photo.image.shape[:2]
    body = 3.0 * photo.q
    # A letter with its gaps takes about 1 body across, a line 1.9 bodies down.
    holds = min(110.0, 1.2 * width / body * height / (1.9 * body))
    spec = PageSpec(
        body=(0.94 * body, 1.06 * body), max_side=round(1.4 * max(height, width)),
        margin=(-2.5, 2.0), justify=1.0,
        letters=(max(16, round(1.2 * holds)), max(28, round(1.8 * holds))),
        augment=Augment(device=device),
    )  # fmt: skip
    for number in range(seed, seed + count):
        page = compose(spec, number)
        q = float(np.median([letter.q for letter in page.letters])) if page.letters else photo.q
        yield WritingPicture(f"render-{number}", photo.group, page.image, q, False)


def render_beside_all(
    photos: Sequence[WritingPicture], count: int, seed: int, device: Device = "camera"
) -> Iterator[WritingPicture]:
    """`beside` for every photograph, each with seeds of its own."""
    for i, photo in enumerate(photos):
        yield from render_beside(photo, count, seed + i * _SEED_STEP, device)


def named_folder(settings: Any) -> Path:
    """The folder of photographs that a job is given; ValueError if it is given none."""
    if not settings.photographs:
        raise ValueError("name a folder of photographs of your own: photographs=FOLDER")
    return Path(settings.photographs)


def draw_proof(config: Any) -> Path:
    """Draw the page as configured; the path of the PNG.

    With `proof.marked` photographs stand in the left columns; else each row is shuffled, and
    which strips are photographs (counted from 1) stands in a text file beside the page.
    ValueError if the folder holds no photograph with writing.
    """
    settings = config.proof
    photos = read_photographs(named_folder(settings), pen_width_reader(settings.model))
    if not photos:
        raise ValueError(f"{settings.photographs} holds no picture with writing")
    return draw_strips(photos, settings, config.seed)


def draw_strips(photos: Sequence[WritingPicture], settings: Any, seed: int) -> Path:
    """Render beside `photos` and write the page and its key; the path of the page."""
    rng = np.random.default_rng(seed)
    rows, key = [], []
    for i, photo in enumerate(photos):
        # A narrow render has no room for a strip, so more are drawn than are shown.
        renders = render_beside(photo, 4 * settings.renders, seed + 1000 * i, settings.device)
        drawn = (strip for render in renders for strip in _cut_strips(render, 1, rng))
        strips = [(strip, True) for strip in _cut_strips(photo, settings.strips, rng)]
        strips += [(strip, False) for strip in islice(drawn, settings.renders)]
        if not settings.marked:
            strips = [strips[j] for j in rng.permutation(len(strips))]
        rows.append([strip for strip, _ in strips])
        real = [str(n + 1) for n, (_, is_real) in enumerate(strips) if is_real]
        key.append(f"{photo.name}\t{' '.join(real)}")
    path = Path(settings.to)
    write_file(path, cv2.imencode(path.suffix, compose_sheet(rows)[:, :, ::-1])[1].tobytes())
    write_file(path.with_suffix(".txt"), "\n".join(key) + "\n")
    return path


def compose_sheet(rows: Sequence[Sequence[Image]]) -> Image:
    """Rows of strips of one size on grey, short rows filled up: (H, W, 3) RGB."""
    height, width = strip_size()
    columns = max(len(row) for row in rows)
    shape = (len(rows) * (height + _GAP_PX) + _GAP_PX, columns * (width + _GAP_PX) + _GAP_PX, 3)
    sheet = np.full(shape, 110, np.uint8)
    for i, row in enumerate(rows):
        for j, strip in enumerate(row):
            top, left = _GAP_PX + i * (height + _GAP_PX), _GAP_PX + j * (width + _GAP_PX)
            sheet[top : top + height, left : left + width] = strip
    return sheet


def strip_size() -> tuple[int, int]:
    """Height and width of a strip on the page in px."""
    return round(STRIP_Q[0] * PX_PER_Q), round(STRIP_Q[1] * PX_PER_Q)


def _cut_strips(picture: WritingPicture, most: int, rng: np.random.Generator) -> list[Image]:
    """At most `most` strips of `picture`, brought to the size of the page."""
    height, width = strip_size()
    found = []
    for patch in cut_patches(picture, most, rng, STRIP_Q):
        mode = cv2.INTER_AREA if patch.image.shape[0] > height else cv2.INTER_CUBIC
        small = cv2.resize(patch.image, (width, height), interpolation=mode)
        found.append(np.asarray(small, np.uint8))
    return found

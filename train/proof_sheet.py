"""`job=proof`: strips of photographs beside strips of renders, at one height of the body."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import islice
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from crownlet.train.critic.patches import Image, Picture, cut
from crownlet.train.critic.pictures import beside, photographs, sizer

STRIP_Q = (6.5, 16.0)
"""Height and width of a strip in pen widths: a line of writing with its crowns."""
PX_A_Q = 18
_GAP = 6


def proof(config: Any) -> Path:
    """Draw the page as configured; the path of the PNG.

    With `proof.marked` photographs stand in the left columns; else each row is shuffled, and
    which strips are photographs (counted from 1) stands in a text file beside the page.
    ValueError if the folder holds no photograph with writing.
    """
    settings = config.proof
    photos = photographs(Path(settings.photographs), sizer(settings.model))
    if not photos:
        raise ValueError(f"{settings.photographs} holds no picture with writing")
    return draw(photos, settings, config.seed)


def draw(photos: Sequence[Picture], settings: Any, seed: int) -> Path:
    """Render beside `photos` and write the page and its key; the path of the page."""
    rng = np.random.default_rng(seed)
    rows, key = [], []
    for i, photo in enumerate(photos):
        # A narrow render has no room for a strip, so more are drawn than are shown.
        renders = beside(photo, 4 * settings.renders, seed + 1000 * i, settings.device)
        drawn = (strip for render in renders for strip in _strips(render, 1, rng))
        strips = [(strip, True) for strip in _strips(photo, settings.strips, rng)]
        strips += [(strip, False) for strip in islice(drawn, settings.renders)]
        if not settings.marked:
            strips = [strips[j] for j in rng.permutation(len(strips))]
        rows.append([strip for strip, _ in strips])
        real = [str(n + 1) for n, (_, is_real) in enumerate(strips) if is_real]
        key.append(f"{photo.name}\t{' '.join(real)}")
    path = Path(settings.to)
    path.parent.mkdir(parents=True, exist_ok=True)
    if not cv2.imwrite(str(path), page(rows)[:, :, ::-1]):
        raise OSError(f"{path} could not be written")
    path.with_suffix(".txt").write_text("\n".join(key) + "\n", "utf-8")
    return path


def page(rows: Sequence[Sequence[Image]]) -> Image:
    """Rows of strips of one size on grey, short rows filled up: (H, W, 3) RGB."""
    height, width = strip_size()
    columns = max(len(row) for row in rows)
    shape = (len(rows) * (height + _GAP) + _GAP, columns * (width + _GAP) + _GAP, 3)
    sheet = np.full(shape, 110, np.uint8)
    for i, row in enumerate(rows):
        for j, strip in enumerate(row):
            top, left = _GAP + i * (height + _GAP), _GAP + j * (width + _GAP)
            sheet[top : top + height, left : left + width] = strip
    return sheet


def strip_size() -> tuple[int, int]:
    """Height and width of a strip on the page in px."""
    return round(STRIP_Q[0] * PX_A_Q), round(STRIP_Q[1] * PX_A_Q)


def _strips(picture: Picture, most: int, rng: np.random.Generator) -> list[Image]:
    """At most `most` strips of `picture`, brought to the size of the page."""
    height, width = strip_size()
    found = []
    for patch in cut(picture, most, rng, STRIP_Q):
        mode = cv2.INTER_AREA if patch.image.shape[0] > height else cv2.INTER_CUBIC
        small = cv2.resize(patch.image, (width, height), interpolation=mode)
        found.append(np.asarray(small, np.uint8))
    return found

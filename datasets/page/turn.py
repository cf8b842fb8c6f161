"""Quarter turns of a finished page with its truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crownlet.datasets.page.truth import LetterTruth, PageTruth, PartShape


def turned(page: PageTruth, degrees: int) -> PageTruth:
    """`page` turned clockwise by a multiple of 90 degrees."""
    for _ in range(degrees // 90 % 4):
        page = _quarter(page)
    return page


def _quarter(page: PageTruth) -> PageTruth:
    height = float(page.image.shape[0])
    letters = tuple(_turn_letter(letter, height) for letter in page.letters)
    image = np.ascontiguousarray(np.rot90(page.image, -1))
    return replace(page, image=image, letters=letters)


def _turn_letter(letter: LetterTruth, height: float) -> LetterTruth:
    x0, y0, x1, y1 = letter.box
    x, y, body, angle = letter.body
    return replace(
        letter,
        box=(height - y1, x0, height - y0, x1),
        body=(height - y, x, body, (angle + 90.0) % 360.0),
        parts=tuple(_turn_part(part, height) for part in letter.parts),
    )


def _turn_part(part: PartShape, height: float) -> PartShape:
    x, y = part.polygon.T
    return replace(part, polygon=np.stack([np.float32(height) - y, x], axis=1))

"""Photographs with the size of their writing, and renders at the same size to stand beside them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np

from crownlet.datasets.page.compose import compose
from crownlet.datasets.page.spec import Augment, Device, PageSpec
from crownlet.infer import Inspector
from crownlet.infer.reading import PageError, read_page
from crownlet.train.critic.patches import Picture

SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp")
_SALT = 7919
"""Between the seeds of renders for one photograph and the next."""

Sizer = Callable[[Path], float | None]
"""The pen width in px of the writing in a picture; None where there is none."""


def sizer(model: str | Path) -> Sizer:
    """Sizes as the networks in the folder `model` read them."""
    inspector = Inspector(model)

    def size(path: Path) -> float | None:
        try:
            glyphs = inspector.inspect(path).glyphs
        except PageError:
            return None
        return float(np.median([glyph.q for glyph in glyphs])) if glyphs else None

    return size


def photographs(folder: Path, size: Sizer) -> list[Picture]:
    """The pictures of `folder` that hold writing, by name; the rest are left out.

    FileNotFoundError if there is no such folder.
    """
    found = []
    for path in sorted(p for p in folder.iterdir() if p.suffix.lower() in SUFFIXES):
        q = size(path)
        if q is not None:
            pixels = read_page(path).pixels
            image = pixels if pixels.ndim == 3 else np.dstack([pixels] * 3)
            found.append(Picture(path.name, path.name, image, q, True))
    return found


def beside(photo: Picture, count: int, seed: int, device: Device = "camera") -> Iterator[Picture]:
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
        yield Picture(f"render-{number}", photo.group, page.image, q, False)


def beside_all(
    photos: Sequence[Picture], count: int, seed: int, device: Device = "camera"
) -> Iterator[Picture]:
    """`beside` for every photograph, each with seeds of its own."""
    for i, photo in enumerate(photos):
        yield from beside(photo, count, seed + i * _SALT, device)

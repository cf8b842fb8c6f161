"""Out of focus and shaken: the only module that knows albumentations.

So the library can be replaced. It is imported where it is called, since the light install composes
the demo's plain pages without it.
"""

from __future__ import annotations

import os
from typing import Any

os.environ.setdefault("NO_ALBUMENTATIONS_UPDATE", "1")

import numpy as np
import numpy.typing as npt

Image = npt.NDArray[np.uint8]


def defocused(image: Image, radius: int, rng: np.random.Generator) -> Image:
    """Each point a disc of `radius` px, as a lens out of focus makes it."""
    return _run("Defocus", image, rng, radius=(radius, radius), alias_blur=(0.3, 0.3))


def shaken(image: Image, length: float, rng: np.random.Generator) -> Image:
    """Motion blur of about `length` px, 15 at most, in any direction."""
    side = 2 * int(np.clip(round(length / 2), 1, 7)) + 1
    turn = float(rng.uniform(0.0, 180.0))
    return _run(
        "MotionBlur", image, rng,
        blur_limit=(side, side), angle_range=(turn, turn), allow_shifted=False,
    )  # fmt: skip


def _run(name: str, image: Image, rng: np.random.Generator, **options: Any) -> Image:
    """One transform of albumentations by its name, seeded from `rng`."""
    import albumentations

    transform = getattr(albumentations, name)(p=1.0, **options)
    seeded = albumentations.Compose([transform], seed=int(rng.integers(1 << 31)))
    out: Image = seeded(image=image)["image"]
    return out

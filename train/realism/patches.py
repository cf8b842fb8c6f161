"""Pictures of writing and the patches that are classified: 6 x 8 pen widths, at any resolution."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

Image = npt.NDArray[np.uint8]

Mask = npt.NDArray[np.bool_]

Grey = npt.NDArray[np.float32]

PATCH_SIZE_Q = (6.0, 8.0)
"""Height and width of a patch."""

NETWORK_SIZE_PX = (96, 128)
"""Height and width in px of a patch as the network sees it: 16 px a pen width."""

_INK_SHARE_LIMITS = (0.05, 0.6)

_OVERLAP_SHARE = 0.5


@dataclass(frozen=True)
class WritingPicture:
    """A photograph or a render. `group` is the photograph it is, or was made to stand beside."""

    name: str
    group: str
    image: Image
    """(H, W, 3) RGB."""
    q: float
    """Pen width in px, a third of the body height."""
    real: bool


@dataclass(frozen=True)
class Patch:
    """A piece of a picture at its own resolution, with what is ink and what is skin in it."""

    picture: WritingPicture
    x: int
    y: int
    image: Image
    grey: Grey
    """(H, W), 0 to 255."""
    ink: Mask
    core: Mask
    """Ink well inside the strokes."""
    skin: Mask
    """Skin well away from ink."""

    @property
    def q(self) -> float:
        """Pen width in px."""
        return self.picture.q

    @property
    def ink_level(self) -> float:
        """Median grey inside strokes."""
        return float(np.median(self.grey[self.core]))

    @property
    def skin_level(self) -> float:
        """Median grey of bare skin."""
        return float(np.median(self.grey[self.skin]))

    @property
    def contrast(self) -> float:
        """Grey levels between skin and ink."""
        return self.skin_level - self.ink_level


def cut_patches(
    picture: WritingPicture,
    most: int,
    rng: np.random.Generator,
    size: tuple[float, float] = PATCH_SIZE_Q,
) -> list[Patch]:
    """At most `most` patches of `picture` that hold both ink and bare skin, strewn by `rng`.

    `size` is their height and width in pen widths; a smaller picture has none.
    """
    height, width = round(size[0] * picture.q), round(size[1] * picture.q)
    rows, columns = picture.image.shape[:2]
    if height > rows or width > columns:
        return []
    places = [
        (x, y)
        for y in _steps(rows - height, height * (1 - _OVERLAP_SHARE))
        for x in _steps(columns - width, width * (1 - _OVERLAP_SHARE))
    ]
    patches: list[Patch] = []
    for i in rng.permutation(len(places)):
        x, y = places[i]
        patch = _patch(picture, x, y, picture.image[y : y + height, x : x + width])
        if patch is not None:
            patches.append(patch)
        if len(patches) == most:
            break
    return patches


def cut_all_patches(pictures: Iterable[WritingPicture], most: int, seed: int) -> list[Patch]:
    """`cut` for each picture; `most` patches for each."""
    rng = np.random.default_rng(seed)
    return [patch for picture in pictures for patch in cut_patches(picture, most, rng)]


def _steps(last: int, step: float) -> list[int]:
    count = int(last / step) + 1
    return [round(i * last / max(1, count - 1)) for i in range(count)]


def _patch(picture: WritingPicture, x: int, y: int, image: Image) -> Patch | None:
    grey = cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)
    soft = np.asarray(cv2.GaussianBlur(grey, (0, 0), max(0.5, 0.06 * picture.q)), np.uint8)
    _, dark = cv2.threshold(
        _even_light(soft, picture.q), 0, 255, cv2.THRESH_BINARY_INV + cv2.THRESH_OTSU
    )
    share = float((dark > 0).mean())
    if not _INK_SHARE_LIMITS[0] < share < _INK_SHARE_LIMITS[1]:
        return None
    core = cv2.erode(dark, _disc(0.14 * picture.q)) > 0
    skin = cv2.dilate(dark, _disc(0.3 * picture.q)) == 0
    if core.sum() < 30 or skin.sum() < 100:
        return None
    patch = Patch(picture, x, y, image, grey.astype(np.float32), dark > 0, core, skin)
    return patch if patch.contrast > max(12.0, 0.2 * patch.skin_level) else None


def _even_light(grey: Image, q: float) -> Image:
    """Grey over that of the skin about it, so that shade and a falling light are not ink."""
    small = cv2.resize(grey, None, fx=4.0 / q, fy=4.0 / q, interpolation=cv2.INTER_AREA)
    # The lightest within 1.5 pen widths: skin, since strokes are about one wide.
    about = cv2.GaussianBlur(cv2.dilate(small, _disc(6.0)), (0, 0), 6.0)
    skin = cv2.resize(about, grey.shape[::-1], interpolation=cv2.INTER_LINEAR)
    even = cv2.divide(grey, np.maximum(skin, 1), scale=200.0)
    return np.asarray(even, np.uint8)


def _disc(radius: float) -> Image:
    size = 2 * max(1, round(radius)) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), np.uint8)


def network_view(patch: Patch, colour: bool = False) -> npt.NDArray[np.float32]:
    """The patch as the network sees it: (1 or 3, 96, 128), bare skin 0 and ink -1.

    With `colour` the three planes are levelled alike, so that tint stays; else brightness, contrast
    and colour tell nothing, only structure does.
    """
    mode = cv2.INTER_AREA if patch.grey.shape[0] > NETWORK_SIZE_PX[0] else cv2.INTER_CUBIC
    source = patch.image.astype(np.float32) if colour else patch.grey
    small = cv2.resize(source, (NETWORK_SIZE_PX[1], NETWORK_SIZE_PX[0]), interpolation=mode)
    levelled = (small - patch.skin_level) / patch.contrast
    planes = levelled.transpose(2, 0, 1) if colour else levelled[None]
    return np.ascontiguousarray(np.clip(planes, -2.0, 2.0), np.float32)

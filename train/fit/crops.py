"""The assessor's examples: one crop per letter of a page whose truth is known, with its targets.

Cutting and flattening of the light are `crownlet.infer.image.crops` and
`crownlet.infer.image.upright`, the same code that inference runs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.coco.truth import LetterTruth, PageTruth, PartShape
from crownlet.datasets.files.images import to_gray
from crownlet.datasets.render.letterforms.outlines import split_points
from crownlet.datasets.scribal.alphabet import index_of
from crownlet.datasets.scribal.catalogue import CATALOGUE, LEARNED_DEFECTS
from crownlet.infer.image.crops import (
    CROP_BODY_PX,
    CROP_HEIGHT_PX,
    CROP_WIDTH_PX,
    boxes_in_crops,
    crop_matrices,
    cut_picture,
    fit_page,
)
from crownlet.infer.image.upright import flatten
from crownlet.models.assessor import NO_LETTER_CLASS, TAGS_UNKNOWN
from crownlet.train.fit.tiles import shrink

MASK_STRIDE_PX = 4

MASK_CHANNEL = {
    "tag": 1, "head": 2, "yud": 2, "drop": 2, "leg": 3, "foot": 3,
    "roof": 4, "base": 4, "wall": 4, "body": 4, "neck": 4, "hump": 4, "heel": 4,
    "joint": 5, "kotz": 5,
}  # fmt: skip
"""Part kind -> channel of `models.assessor.PART_CHANNELS`; channel 0 is all ink of the letter."""


Floats = npt.NDArray[np.float64]

_DEFECT_PLACES = {name: place for place, name in enumerate(LEARNED_DEFECTS)}


@dataclass(frozen=True)
class Crops:
    """Assessor examples of one page, N of them.

    `images` (N, 128, 96) uint8; `boxes` (N, 4) uint8, the letter's box in crop px; `letter` (N,)
    uint8, 27 for "no letter"; `other` (N,) uint8, the letter it may be taken for (itself if none),
    with the chance `share` (N,) float16; `defects` (N, D) float16 in 0..1, nan where one does not
    apply; `tags` (N,) uint8, 255 where unknown; `parts` (N, 6, 32, 24) uint8 in 0..255.
    """

    images: npt.NDArray[np.uint8]
    boxes: npt.NDArray[np.uint8]
    letter: npt.NDArray[np.uint8]
    other: npt.NDArray[np.uint8]
    share: npt.NDArray[np.float16]
    defects: npt.NDArray[np.float16]
    tags: npt.NDArray[np.uint8]
    parts: npt.NDArray[np.uint8]


def plainness_target(plainness: float) -> float:
    """Soft label of a defect: 0 up to a third, 1 from two thirds, a ramp through the doubtful."""
    return float(np.clip((plainness - 1 / 3) * 3, 0.0, 1.0))


def defect_targets(letter: LetterTruth) -> npt.NDArray[np.float16]:
    """(D,) targets of the learned defects for one letter, nan where one does not apply.

    Defects of a letter cut by the frame are unknown, and so are those that were not looked for.
    """
    if not letter.whole:
        return np.full(len(LEARNED_DEFECTS), np.nan, np.float16)
    targets = _faultless_targets(letter.letter, letter.known).copy()
    for mark in letter.defects:
        place = _DEFECT_PLACES.get(mark.name)
        if place is not None and not np.isnan(targets[place]):
            targets[place] = plainness_target(mark.plainness)
    return targets


@lru_cache(maxsize=4096)
def _faultless_targets(letter: str, known: tuple[str, ...] | None) -> npt.NDArray[np.float16]:
    """0 for the learned defects that `letter` can have and that were looked for, else nan."""
    asked = LEARNED_DEFECTS if known is None else known
    there = [name in asked and letter in CATALOGUE[name].letters for name in LEARNED_DEFECTS]
    return np.where(there, 0.0, np.nan).astype(np.float16)


def tags_target(letter: LetterTruth) -> np.uint8:
    """Tags standing on a letter, 4 for more; unknown if the frame cuts it or none were counted."""
    known = letter.whole and letter.tags >= 0
    return np.uint8(min(letter.tags, 4) if known else TAGS_UNKNOWN)


def make_crops(
    page: PageTruth, rng: np.random.Generator, most: int = 96,
    flat: npt.NDArray[np.uint8] | None = None,
) -> Crops:  # fmt: skip
    """Cut a crop of up to `most` letters of a page, boxes unsteady as the locator's are.

    One in sixteen shows no letter: the space between lines, the meeting of two letters. `flat` is
    the page with its light evened, if that is done.
    """
    heights = [letter.body[2] for letter in page.letters]
    body = float(np.median(heights)) if heights else CROP_BODY_PX
    if flat is None:
        flat = flatten(to_gray(page.image), body * float(rng.uniform(0.8, 1.25)))
    gray = flat
    if rng.random() < 0.2:
        gray = _lower_resolution(gray, body, rng)
    gray, scale = fit_page(gray, body)
    letters = choose_letters(page, rng, most)
    bodies, boxes = _unsteady_places(letters, rng)
    empty = empty_places(page.letters, max(1, len(letters) // 16), rng)
    bodies = np.concatenate([bodies, empty[0]]) * (scale, scale, scale, 1.0)
    boxes = np.concatenate([boxes, empty[1]]) * scale
    matrices = crop_matrices(bodies, boxes)
    return Crops(
        _cut_pictures(gray, matrices),
        _stored_boxes(boxes, matrices),
        *letter_targets(letters, len(empty[0])),
        cover_parts(
            [letter.parts for letter in letters] + [()] * len(empty[0]),
            matrices @ np.diag([scale, scale, 1.0]),
        ),
    )


def choose_letters(page: PageTruth, rng: np.random.Generator, most: int) -> list[LetterTruth]:
    """At most `most` of the letters that can be read, in any order."""
    shown = [letter for letter in page.letters if letter.whole or letter.legible]
    return [shown[i] for i in rng.permutation(len(shown))[:most]]


def _lower_resolution(
    gray: npt.NDArray[np.uint8], body: float, rng: np.random.Generator
) -> npt.NDArray[np.uint8]:
    """Pass the page through a resolution of 17 to 40 px a body, and back."""
    low = float(rng.uniform(17, 40)) / body
    if low >= 1:
        return gray
    size = (gray.shape[1], gray.shape[0])
    return np.asarray(cv2.resize(shrink(gray, low), size, interpolation=cv2.INTER_LINEAR), np.uint8)


def _unsteady_places(
    letters: Sequence[LetterTruth], rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Bodies (N, 4) and boxes (N, 4) in px of the page, off by what the locator is off by."""
    count = len(letters)
    bodies = np.array([letter.body for letter in letters]).reshape(-1, 4)
    boxes = np.array([letter.box for letter in letters]).reshape(-1, 4)
    q = bodies[:, 2:3] / 3
    bodies[:, :2] += np.clip(rng.normal(0, 0.14, (count, 2)), -0.4, 0.4) * q
    bodies[:, 2] *= np.clip(rng.normal(1, 0.05, count), 0.85, 1.15)
    bodies[:, 3] += np.clip(rng.normal(0, 1.0, count), -3, 3)
    return bodies, boxes + np.clip(rng.normal(0, 0.12, (count, 4)), -0.35, 0.35) * q


def empty_places(
    letters: Sequence[LetterTruth], count: int, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Bodies and boxes, at most `count`, where no letter is anchored; in px of the page."""
    if not letters:
        return np.empty((0, 4)), np.empty((0, 4))
    all_bodies = np.array([letter.body for letter in letters])
    near = all_bodies[rng.integers(len(letters), size=count)]
    q = near[:, 2:3] / 3
    spots = near[:, :2] + rng.uniform(-4, 4, (count, 2)) * q
    far = np.abs((all_bodies[None, :, :2] - spots[:, None]) / q[:, None]).max(axis=2).min(axis=1)
    half = rng.uniform(0.4, 1.6, (count, 1)) * q
    tall = rng.uniform(1.5, 4.0, (count, 1)) * q
    x, y = spots[:, :1], spots[:, 1:]
    boxes = np.concatenate([x - half, y - 0.2 * q, x + half, y + tall], axis=1)
    clear = far >= 0.9
    return np.concatenate([spots, near[:, 2:]], axis=1)[clear], boxes[clear]


def _cut_pictures(gray: npt.NDArray[np.uint8], matrices: Floats) -> npt.NDArray[np.uint8]:
    """(N, 128, 96) pictures, as inference cuts them."""
    pictures = np.empty((len(matrices), CROP_HEIGHT_PX, CROP_WIDTH_PX), np.uint8)
    for picture, matrix in zip(pictures, matrices, strict=True):
        cut_picture(gray, matrix, picture)
    return pictures


def _stored_boxes(boxes: Floats, matrices: Floats) -> npt.NDArray[np.uint8]:
    """(N, 4) x0, y0, x1, y1 of the letters' boxes in their crops; zeros where nothing shows."""
    placed = boxes_in_crops(boxes, matrices)
    some = (placed[:, 2:] > placed[:, :2]).all(axis=1, keepdims=True)
    return np.asarray(placed * some, np.uint8)


def letter_targets(
    letters: Sequence[LetterTruth], empty: int
) -> tuple[
    npt.NDArray[np.uint8], npt.NDArray[np.uint8], npt.NDArray[np.float16],
    npt.NDArray[np.float16], npt.NDArray[np.uint8],
]:  # fmt: skip
    """Letter, other, share, defects and tags of `Crops`; the last `empty` rows show no letter."""
    none, unknown = [NO_LETTER_CLASS] * empty, np.full((empty, len(LEARNED_DEFECTS)), np.nan)
    defects = [defect_targets(letter) for letter in letters]
    return (
        np.array([index_of(letter.letter) for letter in letters] + none, np.uint8),
        np.array([index_of(letter.other or letter.letter) for letter in letters] + none, np.uint8),
        np.array([letter.share for letter in letters] + [0.0] * empty, np.float16),
        np.concatenate(
            [np.reshape(defects, (-1, len(LEARNED_DEFECTS))), unknown], dtype=np.float16
        ),
        np.array([tags_target(letter) for letter in letters] + [0] * empty, np.uint8),
    )


def part_masks(parts: tuple[PartShape, ...], matrix: Floats) -> npt.NDArray[np.uint8]:
    """(6, 32, 24) cover of each part channel, for polygons mapped to crop px by `matrix` (2, 3)."""
    return np.asarray(cover_parts([parts], matrix[None])[0], np.uint8)


def cover_parts(
    letters: Sequence[Sequence[PartShape]], matrices: Floats,
    size: tuple[int, int] = (CROP_HEIGHT_PX, CROP_WIDTH_PX), halvings: int = 2,
) -> npt.NDArray[np.uint8]:  # fmt: skip
    """(N, 6, 32, 24): `part_masks` of N letters, for which `matrices` is (N, 2, 3); of another
    `size` (height, width) of crops, halved so many times."""
    small_size = (size[0] >> halvings, size[1] >> halvings)
    if not len(letters):
        return np.zeros((0, 6, *small_size), np.uint8)
    full = np.zeros((len(letters), 6, *size), np.uint8)
    for masks, parts, matrix in zip(full, letters, matrices, strict=True):
        if not parts:
            continue
        points = np.concatenate([part.polygon for part in parts])
        placed = points @ (16 * matrix[:, :2].T) + 16 * matrix[:, 2]
        fixed = np.rint(placed).astype(np.int32)
        for part, outline in zip(
            parts, split_points(fixed, [p.polygon for p in parts]), strict=True
        ):
            cv2.fillPoly(masks[MASK_CHANNEL[part.kind]], [outline], 255, shift=4)
        # The first mask is all ink of the letter.
        np.max(masks[1:], axis=0, out=masks[0])
    # Halving twice is six times as quick as shrinking to a quarter.
    rows, columns = full.size // size[1], size[1]
    small = np.asarray(full.reshape(rows, columns), np.uint8)
    for _ in range(halvings):
        rows, columns = rows // 2, columns // 2
        small = np.asarray(
            cv2.resize(small, (columns, rows), interpolation=cv2.INTER_AREA), np.uint8
        )
    return small.reshape(-1, 6, *small_size)

"""The assessor's examples: a crop a letter of a page whose truth is known, and its answers.

Cutting and flattening of the light are `crownlet.infer.image.crops` and
`crownlet.infer.image.upright`, the same code that inference runs.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.coco.truth import LetterTruth, PageTruth, PartShape
from crownlet.datasets.files.images import to_gray
from crownlet.datasets.scribal.alphabet import index_of
from crownlet.datasets.scribal.catalogue import CATALOGUE, LEARNED_DEFECTS
from crownlet.infer.image import crops as cutting
from crownlet.infer.image.upright import flatten
from crownlet.models.assessor import NO_LETTER, TAGS_UNKNOWN
from crownlet.train.fit.tiles import shrunk

MASK_STRIDE = 4

MASK_CHANNEL = {
    "tag": 1, "head": 2, "yud": 2, "drop": 2, "leg": 3, "foot": 3,
    "roof": 4, "base": 4, "wall": 4, "body": 4, "neck": 4, "hump": 4, "heel": 4,
    "joint": 5, "kotz": 5,
}  # fmt: skip
"""Part kind -> channel of `models.assessor.PARTS`; channel 0 is all ink of the letter."""


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

    Of a letter cut by the frame no defect is asked, nor one that nobody looked for.
    """
    if not letter.whole:
        return np.full(len(LEARNED_DEFECTS), np.nan, np.float16)
    marks = {mark.name: plainness_target(mark.plainness) for mark in letter.defects}
    asked = LEARNED_DEFECTS if letter.known is None else letter.known
    return np.array(
        [
            marks.get(name, 0.0)
            if name in asked and letter.letter in CATALOGUE[name].letters
            else np.nan
            for name in LEARNED_DEFECTS
        ],
        np.float16,
    )


def tags_target(letter: LetterTruth) -> np.uint8:
    """Tags standing on a letter, 4 for more; unknown if the frame cuts it or nobody counted."""
    known = letter.whole and letter.tags >= 0
    return np.uint8(min(letter.tags, 4) if known else TAGS_UNKNOWN)


def make_crops(page: PageTruth, rng: np.random.Generator, most: int = 96) -> Crops:
    """Cut a crop of up to `most` letters of a page, boxes unsteady as the locator's are.

    One in sixteen shows no letter: the white between lines, the meeting of two letters.
    """
    heights = [letter.body[2] for letter in page.letters]
    body = float(np.median(heights)) if heights else cutting.CROP_BODY_PX
    gray = flatten(to_gray(page.image), body * float(rng.uniform(0.8, 1.25)))
    if rng.random() < 0.2:
        gray, scale = _blurred_down(gray, body, rng), 1.0
    gray, scale = cutting.fit_page(gray, body)
    shown = [letter for letter in page.letters if letter.whole or letter.legible]
    order = rng.permutation(len(shown))[:most]
    rows = [_letter_crop(gray, shown[i], scale, rng) for i in order]
    for _ in range(max(1, len(rows) // 16)):
        empty = _empty_crop(gray, list(page.letters), scale, rng)
        if empty is not None:
            rows.append(empty)
    if not rows:
        return _no_crops()
    columns = list(zip(*rows, strict=True))
    return Crops(*(np.stack(column) for column in columns))


def _no_crops() -> Crops:
    h, w = cutting.CROP_HEIGHT_PX, cutting.CROP_WIDTH_PX
    return Crops(
        np.empty((0, h, w), np.uint8), np.empty((0, 4), np.uint8), np.empty(0, np.uint8),
        np.empty(0, np.uint8), np.empty(0, np.float16),
        np.empty((0, len(LEARNED_DEFECTS)), np.float16), np.empty(0, np.uint8),
        np.empty((0, 6, h // MASK_STRIDE, w // MASK_STRIDE), np.uint8),
    )  # fmt: skip


def _blurred_down(
    gray: npt.NDArray[np.uint8], body: float, rng: np.random.Generator
) -> npt.NDArray[np.uint8]:
    """Pass the page through a resolution of 17 to 40 px a body, and back."""
    low = float(rng.uniform(17, 40)) / body
    if low >= 1:
        return gray
    size = (gray.shape[1], gray.shape[0])
    return np.asarray(cv2.resize(shrunk(gray, low), size, interpolation=cv2.INTER_LINEAR), np.uint8)


Row = tuple[
    npt.NDArray[np.uint8], npt.NDArray[np.uint8], np.uint8, np.uint8, np.float16,
    npt.NDArray[np.float16], np.uint8, npt.NDArray[np.uint8],
]  # fmt: skip


def _unsteady(
    letter: LetterTruth, scale: float, rng: np.random.Generator
) -> tuple[tuple[float, float, float, float], tuple[float, float, float, float]]:
    """The letter's body and box in px of the scaled page, off by what the locator is off by."""
    x, y, height, angle = letter.body
    q = height / 3
    shift = np.clip(rng.normal(0, 0.14, 2), -0.4, 0.4) * q
    size = float(np.clip(rng.normal(1, 0.05), 0.85, 1.15))
    tilt = angle + float(np.clip(rng.normal(0, 1.0), -3, 3))
    body = ((x + shift[0]) * scale, (y + shift[1]) * scale, height * size * scale, tilt)
    edges = np.array(letter.box) + np.clip(rng.normal(0, 0.12, 4), -0.35, 0.35) * q
    return body, (edges[0] * scale, edges[1] * scale, edges[2] * scale, edges[3] * scale)


def _letter_crop(
    gray: npt.NDArray[np.uint8], letter: LetterTruth, scale: float, rng: np.random.Generator
) -> Row:
    body, box = _unsteady(letter, scale, rng)
    crop = cutting.crop_letter(gray, body, box)
    matrix = cutting.crop_matrix(body, box) @ np.diag([scale, scale, 1.0])
    return (
        crop[0], box_of_plane(crop[1]), np.uint8(index_of(letter.letter)),
        np.uint8(index_of(letter.other or letter.letter)), np.float16(letter.share),
        defect_targets(letter), tags_target(letter), part_masks(letter.parts, matrix),
    )  # fmt: skip


def _empty_crop(
    gray: npt.NDArray[np.uint8], letters: list[LetterTruth], scale: float, rng: np.random.Generator
) -> Row | None:
    """A crop whose box lies where no letter is anchored."""
    if not letters:
        return None
    near = letters[int(rng.integers(len(letters)))]
    x, y, height, angle = near.body
    q = height / 3
    spot = np.array([x, y]) + rng.uniform(-4, 4, 2) * q
    anchors = np.array([other.body[:2] for other in letters])
    if np.abs((anchors - spot) / q).max(axis=1).min() < 0.9:
        return None
    half = rng.uniform(0.4, 1.6) * q
    tall = rng.uniform(1.5, 4.0) * q
    body = (spot[0] * scale, spot[1] * scale, height * scale, angle)
    box = np.array([spot[0] - half, spot[1] - 0.2 * q, spot[0] + half, spot[1] + tall]) * scale
    crop = cutting.crop_letter(gray, body, (box[0], box[1], box[2], box[3]))
    blank = np.zeros(
        (6, cutting.CROP_HEIGHT_PX // MASK_STRIDE, cutting.CROP_WIDTH_PX // MASK_STRIDE), np.uint8
    )
    unknown = np.full(len(LEARNED_DEFECTS), np.nan, np.float16)
    return (
        crop[0], box_of_plane(crop[1]), np.uint8(NO_LETTER), np.uint8(NO_LETTER), np.float16(0.0),
        unknown, np.uint8(0), blank,
    )  # fmt: skip


def box_of_plane(plane: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """(x0, y0, x1, y1) of the filled box in a crop's second plane; zeros if it is empty."""
    ys, xs = np.flatnonzero(plane.any(axis=1)), np.flatnonzero(plane.any(axis=0))
    if not len(ys):
        return np.zeros(4, np.uint8)
    return np.array([xs[0], ys[0], xs[-1] + 1, ys[-1] + 1], np.uint8)


def part_masks(
    parts: tuple[PartShape, ...], matrix: npt.NDArray[np.float64]
) -> npt.NDArray[np.uint8]:
    """(6, 32, 24) cover of each part channel, for polygons mapped to crop px by `matrix` (2, 3)."""
    full = np.zeros((6, cutting.CROP_HEIGHT_PX, cutting.CROP_WIDTH_PX), np.uint8)
    for part in parts:
        points = part.polygon @ matrix[:, :2].T + matrix[:, 2]
        fixed = [np.round(points * 16).astype(np.int32)]
        cv2.fillPoly(full[0], fixed, 255, shift=4)
        cv2.fillPoly(full[MASK_CHANNEL[part.kind]], fixed, 255, shift=4)
    size = (cutting.CROP_WIDTH_PX // MASK_STRIDE, cutting.CROP_HEIGHT_PX // MASK_STRIDE)
    small = [cv2.resize(mask, size, interpolation=cv2.INTER_AREA) for mask in full]
    return np.stack([np.asarray(mask, np.uint8) for mask in small])

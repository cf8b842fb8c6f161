"""The locator's examples: a square tile of a page whose truth is known.

Renders and labelled scans both pass through here, so that they can be mixed; the light is evened by
`crownlet.infer.image.upright`, the same code that inference runs.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
import torch
from torch import Tensor

from crownlet.datasets.coco.truth import LetterTruth, PageTruth
from crownlet.datasets.files.images import to_gray
from crownlet.datasets.scribal.alphabet import index_of
from crownlet.infer.image.crops import FILL_GREY
from crownlet.infer.image.upright import flatten
from crownlet.models.locator import STRIDE, UNIT
from crownlet.models.losses import LocatorTargets

TILE = 384
"""Side of a locator tile in px."""

TILE_LETTERS = 224
"""Most letters kept of one tile."""

LETTER_ROW = 11
"""Numbers that describe a letter of a tile."""


@dataclass(frozen=True)
class Tile:
    """A locator example: grey `image` (384, 384) uint8 and its letters.

    `letters` is (n, 11) float32: anchor x, y, then l, t, r, b from anchor to box edge, class,
    quarter turns, body height, the class it may be taken for (its own if none) and the chance of
    that; `ignore` is (m, 4) float32 boxes of letters cut by the frame.
    """

    image: npt.NDArray[np.uint8]
    letters: npt.NDArray[np.float32]
    ignore: npt.NDArray[np.float32]


def anchor_of(letter: LetterTruth) -> tuple[float, float]:
    """Middle of the letter's body in px: 1.5 q below the ruled line, in the letter's own frame."""
    x, y, height, angle = letter.body
    a = np.deg2rad(angle)
    return x - np.sin(a) * height / 2, y + np.cos(a) * height / 2


def make_tile(page: PageTruth, rng: np.random.Generator, body: float | None = None) -> Tile:
    """Cut one locator tile with bodies of about `body` px (drawn from 19 to 40 if None)."""
    heights = np.array([letter.body[2] for letter in page.letters]) if page.letters else [48.0]
    have = float(np.median(heights))
    want = body if body else float(np.exp(rng.uniform(np.log(19.0), np.log(40.0))))
    gray = flatten(to_gray(page.image), have * float(rng.uniform(0.7, 1.4)))
    gray, points = _rescaled(gray, want / have, rng)
    turns = int(rng.choice(4, p=(0.76, 0.08, 0.08, 0.08)))
    top, left = _window(gray.shape, page, points, rng)
    image = np.full((TILE, TILE), FILL_GREY, np.uint8)
    view = gray[max(top, 0) : top + TILE, max(left, 0) : left + TILE]
    y, x = max(-top, 0), max(-left, 0)
    image[y : y + view.shape[0], x : x + view.shape[1]] = view
    letters, ignore = _tile_truth(page, points, left, top)
    return _turned(image, letters, ignore, turns)


def _rescaled(
    gray: npt.NDArray[np.uint8], scale: float, rng: np.random.Generator
) -> tuple[npt.NDArray[np.uint8], float]:
    """Resize, sometimes through a lower resolution, as a poor scan would have been."""
    shape = gray.shape
    if rng.random() < 0.2:
        low = max(0.3, scale * float(rng.uniform(0.55, 0.9)))
        if low < 1:
            gray = shrunk(gray, low)
    size = (max(1, round(shape[1] * scale)), max(1, round(shape[0] * scale)))
    shrinks = size[0] < gray.shape[1]
    mode = cv2.INTER_AREA if shrinks else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(gray, size, interpolation=mode), np.uint8), scale


def _window(
    shape: tuple[int, ...], page: PageTruth, scale: float, rng: np.random.Generator
) -> tuple[int, int]:
    """Top left corner of a tile around a letter drawn at random, kept near the picture."""
    if not page.letters:
        return 0, 0
    x, y = anchor_of(page.letters[int(rng.integers(len(page.letters)))])
    corner = np.array([y, x]) * scale - rng.uniform(0.15, 0.85, 2) * TILE
    room = np.array(shape[:2]) - TILE
    corner = np.where(room > 0, np.clip(corner, -16, room + 16), room / 2 + rng.uniform(-9, 9, 2))
    return int(corner[0]), int(corner[1])


def _tile_truth(
    page: PageTruth, scale: float, left: int, top: int
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    letters, ignore = [], []
    for letter in page.letters:
        ax, ay = anchor_of(letter)
        x, y = ax * scale - left, ay * scale - top
        box = np.array(letter.box) * scale - (left, top, left, top)
        if box[2] <= 0 or box[3] <= 0 or box[0] >= TILE or box[1] >= TILE:
            continue
        seen = np.clip(box, 0, TILE)
        share = float(np.prod(seen[2:] - seen[:2])) / max(float(np.prod(box[2:] - box[:2])), 1e-6)
        inside = 0 <= x < TILE and 0 <= y < TILE
        if not (letter.whole or letter.legible) or share < 0.9 or not inside:
            ignore.append(seen)
            continue
        turn = round(letter.body[3] / 90) % 4
        edges = (x - box[0], y - box[1], box[2] - x, box[3] - y)
        kind, other = index_of(letter.letter), index_of(letter.other or letter.letter)
        height = letter.body[2] * scale
        letters.append((x, y, *edges, kind, turn, height, other, letter.share))
    return (
        np.array(letters, np.float32).reshape(-1, LETTER_ROW)[:TILE_LETTERS],
        np.array(ignore, np.float32).reshape(-1, 4),
    )


def _turned(
    image: npt.NDArray[np.uint8],
    letters: npt.NDArray[np.float32],
    ignore: npt.NDArray[np.float32],
    turns: int,
) -> Tile:
    """Rotate a tile clockwise by quarter turns, truth included."""
    for _ in range(turns):
        image = np.ascontiguousarray(np.rot90(image, -1))
        x, y, left, top, right, bottom = letters[:, :6].T.copy()
        letters[:, :6] = np.stack([TILE - y, x, bottom, left, top, right], axis=1)
        letters[:, 7] = (letters[:, 7] + 1) % 4
        ignore = ignore[:, [3, 0, 1, 2]] * np.array((-1, 1, -1, 1)) + np.array((TILE, 0, TILE, 0))
    return Tile(image, letters, ignore.astype(np.float32))


def shrunk(gray: npt.NDArray[np.uint8], scale: float) -> npt.NDArray[np.uint8]:
    """A picture made smaller by area averaging, as a coarser scan sees it."""
    size = (max(1, round(gray.shape[1] * scale)), max(1, round(gray.shape[0] * scale)))
    return np.asarray(cv2.resize(gray, size, interpolation=cv2.INTER_AREA), np.uint8)


REACH = 3
"""Cells around an anchor that its heat is painted into."""


def locator_targets(letters: Tensor, ignore: Tensor, side: int) -> LocatorTargets:
    """Targets of B tiles of `side` px.

    `letters` is (B, n, 11) as in `train.tiles.Tile`, padded with -1; `ignore` (B, m, 4) boxes in
    px, padded with zeros.
    """
    cells = side // STRIDE
    real = letters[:, :, 6] >= 0
    anchor = letters[:, :, :2] / STRIDE
    cell = anchor.floor().long().clamp(0, cells - 1)
    heat = _heat(letters, cell, anchor, real, cells)
    keep = 1.0 - _covered(ignore / STRIDE, cells)
    # An anchor inside another letter's ignored box is still asked for.
    keep = torch.maximum(keep, (heat > 0.6).to(keep.dtype))
    batch, row = real.nonzero(as_tuple=True)
    chosen_cells = torch.stack([batch, cell[batch, row, 1], cell[batch, row, 0]], dim=1)
    chosen = letters[batch, row]
    centre = (cell[batch, row] + 0.5) * STRIDE
    offset = (chosen[:, :2] - centre) / UNIT
    return LocatorTargets(
        heat=heat,
        keep=keep,
        cells=chosen_cells,
        letter=chosen[:, 6].long(),
        other=chosen[:, 9].long(),
        share=chosen[:, 10],
        turn=chosen[:, 7].long(),
        shape=torch.cat([offset, chosen[:, 2:6] / UNIT], dim=1),
        scale=torch.log(chosen[:, 8] / UNIT),
    )


def _heat(letters: Tensor, cell: Tensor, anchor: Tensor, real: Tensor, cells: int) -> Tensor:
    """(B, cells, cells): exactly 1 in the anchor's cell, a bell about it, widths by body height."""
    steps = torch.arange(-REACH, REACH + 1, device=letters.device)
    sigma = (letters[:, :, 8].clamp(min=4.0) / UNIT * 0.8)[:, :, None]
    near = [cell[:, :, k, None] + steps for k in (0, 1)]
    bell = [
        torch.exp(-((near[k] + 0.5 - anchor[:, :, k, None]) ** 2) / (2 * sigma**2)) for k in (0, 1)
    ]
    value = bell[1][:, :, :, None] * bell[0][:, :, None, :] * 0.98
    value[:, :, REACH, REACH] = 1.0
    inside = [(n >= 0) & (n < cells) for n in near]
    value = value * inside[1][:, :, :, None] * inside[0][:, :, None, :] * real[:, :, None, None]
    place = near[1].clamp(0, cells - 1)[:, :, :, None] * cells
    place = place + near[0].clamp(0, cells - 1)[:, :, None, :]
    flat = torch.zeros(letters.shape[0], cells * cells, device=letters.device, dtype=value.dtype)
    flat.scatter_reduce_(1, place.flatten(1), value.flatten(1), reduce="amax")
    return flat.view(-1, cells, cells)


def _covered(boxes: Tensor, cells: int) -> Tensor:
    """(B, cells, cells): 1 where a cell's centre lies in one of the (B, m, 4) boxes."""
    centres = torch.arange(cells, device=boxes.device) + 0.5
    across = (centres >= boxes[:, :, 0:1]) & (centres < boxes[:, :, 2:3])
    down = (centres >= boxes[:, :, 1:2]) & (centres < boxes[:, :, 3:4])
    return (down[:, :, :, None] & across[:, :, None, :]).any(dim=1).to(torch.float32)

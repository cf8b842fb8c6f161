"""The locator's examples: a square tile of a page whose truth is known.

Renders and labelled scans both pass through here, so that they can be mixed; the light is evened by
`crownlet.infer.image.upright`, the same code that inference runs.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

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
from crownlet.models.locator import BODY_HEIGHT_PX, STRIDE_PX
from crownlet.models.losses import LocatorTargets

TILE_PX = 480
"""Side in px of a locator tile as it is stored."""

WINDOW_PX = 384
"""Side in px of the window of a tile shown in training; its place varies each time."""

MAX_TILE_LETTERS = 224
"""Most letters kept of one tile."""

MAX_TILE_IGNORED = 64
"""Most boxes of cut letters kept of one tile."""

MIN_SEEN_SHARE = 0.9
"""Share of a letter's box that a tile must show, else the letter is ignored."""

LETTER_ROW_VALUES = 11
"""Numbers that describe a letter of a tile."""


HEAT_RADIUS_CELLS = 3
"""Cells around an anchor that its heat is painted into."""


@dataclass(frozen=True)
class Span:
    """Pixels `start` to `end` of the page along one axis, shown on `length` px of the tile from
    its px `place` on."""

    start: int
    end: int
    place: int
    length: int

    @property
    def scale(self) -> float:
        """Px of the tile to a px of the page."""
        return self.length / max(1, self.end - self.start)

    def __call__(self, points: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Where points of the page lie on the tile."""
        return (points - self.start) * self.scale + self.place


@dataclass(frozen=True)
class Tile:
    """A locator example: grey `image` (480, 480) uint8 and its letters.

    `letters` is (n, 11) float32: anchor x, y, then l, t, r, b from anchor to box edge, class,
    quarter turns, body height, the class it may be taken for (its own if none) and the chance of
    that; `ignore` is (m, 4) float32 boxes of letters cut by the frame.
    """

    image: npt.NDArray[np.uint8]
    letters: npt.NDArray[np.float32]
    ignore: npt.NDArray[np.float32]
    across: Span
    """What of the page it shows, before it is turned."""
    down: Span
    turns: int = 0
    """Clockwise quarter turns."""


def anchor_of(letter: LetterTruth) -> tuple[float, float]:
    """Middle of the letter's body in px: 1.5 q below the ruled line, in the letter's own frame."""
    x, y, height, angle = letter.body
    a = np.deg2rad(angle)
    return x - np.sin(a) * height / 2, y + np.cos(a) * height / 2


@dataclass(frozen=True)
class TileSource:
    """A page made ready for its tiles: the light evened, its N letters as arrays."""

    gray: npt.NDArray[np.uint8]
    height: float
    """Median height of a letter's body in px."""
    boxes: npt.NDArray[np.float64]
    """(N, 4) x0, y0, x1, y1."""
    anchors: npt.NDArray[np.float64]
    """(N, 2)."""
    values: npt.NDArray[np.float64]
    """(N, 5): class, quarter turns, body height, the class it may be taken for, its chance."""
    shown: npt.NDArray[np.bool_]
    """(N,): whole, or cut and still legible."""


def read_tile_source(
    page: PageTruth, rng: np.random.Generator, flat: npt.NDArray[np.uint8] | None = None
) -> TileSource:
    """The page with its light evened, as unsteadily as the size of its letters is known, if that
    is not done (`flat`)."""
    letters = page.letters
    values = np.array(
        [
            (
                index_of(letter.letter), round(letter.body[3] / 90) % 4, letter.body[2],
                index_of(letter.other or letter.letter), letter.share,
            )
            for letter in letters
        ]
    ).reshape(-1, 5)  # fmt: skip
    height = float(np.median(values[:, 2])) if letters else 48.0
    if flat is None:
        flat = flatten(to_gray(page.image), height * float(rng.uniform(0.75, 1.3)))
    return TileSource(
        flat,
        height,
        np.array([letter.box for letter in letters]).reshape(-1, 4),
        np.array([anchor_of(letter) for letter in letters]).reshape(-1, 2),
        values,
        np.array([letter.whole or letter.legible for letter in letters], bool),
    )


def pad_tile(tile: Tile) -> tuple[npt.NDArray[np.generic], ...]:
    """Image, letters (224, 11) filled up with -1, and ignored boxes (64, 4) filled up with 0."""
    letters = np.full((MAX_TILE_LETTERS, LETTER_ROW_VALUES), -1, np.float32)
    letters[: len(tile.letters)] = tile.letters
    ignore = np.zeros((MAX_TILE_IGNORED, 4), np.float32)
    ignore[: len(tile.ignore)] = tile.ignore[:MAX_TILE_IGNORED]
    return tile.image, letters, ignore


def make_tile(page: PageTruth, rng: np.random.Generator, body: float | None = None) -> Tile:
    """Cut one locator tile with bodies of about `body` px (drawn from 19 to 40 if None)."""
    return cut_tile(read_tile_source(page, rng), rng, body)


def cut_tile(source: TileSource, rng: np.random.Generator, body: float | None = None) -> Tile:
    """As `make_tile`, of a page from which several tiles are cut."""
    want = body if body else float(np.exp(rng.uniform(np.log(19.0), np.log(40.0))))
    scale = want / source.height
    low = 1.0
    if rng.random() < 0.2:  # Through a lower resolution, as a poor scan would have been.
        low = min(1.0, max(0.3, scale * float(rng.uniform(0.55, 0.9))))
    turns = int(rng.choice(4, p=(0.76, 0.08, 0.08, 0.08)))
    top, left = _tile_corner(source, scale, rng)
    rows = _fit_axis(top, source.gray.shape[0], scale)
    columns = _fit_axis(left, source.gray.shape[1], scale)
    image = np.full((TILE_PX, TILE_PX), FILL_GREY, np.uint8)
    if rows.length and columns.length:
        view = source.gray[rows.start : rows.end, columns.start : columns.end]
        shown = _resize(shrink(view, low) if low < 1 else view, (columns.length, rows.length))
        image[rows.place : rows.place + rows.length][
            :, columns.place : columns.place + columns.length
        ] = shown
    letters, ignore = _tile_truth(source, columns, rows, scale)
    return _rotate_tile(Tile(image, letters, ignore, columns, rows, turns))


def _fit_axis(corner: float, size: int, scale: float) -> Span:
    """What of a page `size` px long a tile shows that begins at `corner` px of the scaled page."""
    first, side = round(corner / scale), round(TILE_PX / scale)
    start, end = max(0, first), min(size, first + side)
    if end <= start:
        return Span(start, start, 0, 0)
    place = min(round((start - first) * TILE_PX / side), TILE_PX - 1)
    length = max(1, min(round((end - start) * TILE_PX / side), TILE_PX - place))
    return Span(start, end, place, length)


def _resize(gray: npt.NDArray[np.uint8], size: tuple[int, int]) -> npt.NDArray[np.uint8]:
    mode = cv2.INTER_AREA if size[0] < gray.shape[1] else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(gray, size, interpolation=mode), np.uint8)


def _tile_corner(source: TileSource, scale: float, rng: np.random.Generator) -> tuple[float, float]:
    """Top left corner of a tile around a letter drawn at random, kept near the picture."""
    if not len(source.anchors):
        return 0.0, 0.0
    x, y = source.anchors[int(rng.integers(len(source.anchors)))]
    corner = np.array([y, x]) * scale - rng.uniform(0.15, 0.85, 2) * TILE_PX
    room = np.array(source.gray.shape[:2]) * scale - TILE_PX
    corner = np.where(room > 0, np.clip(corner, -16, room + 16), room / 2 + rng.uniform(-9, 9, 2))
    return float(corner[0]), float(corner[1])


def _tile_truth(
    source: TileSource, across: Span, down: Span, scale: float
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    x, y = across(source.anchors[:, 0]), down(source.anchors[:, 1])
    x0, y0, x1, y1 = (
        axis(edge) for axis, edge in zip((across, down, across, down), source.boxes.T, strict=True)
    )
    boxes = np.stack([x0, y0, x1, y1], axis=1)
    met = (x1 > 0) & (y1 > 0) & (x0 < TILE_PX) & (y0 < TILE_PX)
    seen = np.clip(boxes, 0, TILE_PX)
    share = _areas(seen) / np.maximum(_areas(boxes), 1e-6)
    inside = (x >= 0) & (x < TILE_PX) & (y >= 0) & (y < TILE_PX)
    kept = met & source.shown & (share >= MIN_SEEN_SHARE) & inside
    rows = np.column_stack([x, y, x - x0, y - y0, x1 - x, y1 - y, source.values])[kept]
    rows[:, 8] *= scale
    return (
        rows[:MAX_TILE_LETTERS].astype(np.float32),
        seen[met & ~kept].astype(np.float32),
    )


def _areas(boxes: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    area: npt.NDArray[np.float64] = (boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1])
    return area


def _rotate_tile(tile: Tile) -> Tile:
    """Rotate a tile clockwise by its quarter turns, truth included."""
    image, letters, ignore = tile.image, tile.letters, tile.ignore
    for _ in range(tile.turns):
        image = np.ascontiguousarray(np.rot90(image, -1))
        x, y, left, top, right, bottom = letters[:, :6].T.copy()
        letters[:, :6] = np.stack([TILE_PX - y, x, bottom, left, top, right], axis=1)
        letters[:, 7] = (letters[:, 7] + 1) % 4
        ignore = ignore[:, [3, 0, 1, 2]] * np.array((-1, 1, -1, 1)) + np.array(
            (TILE_PX, 0, TILE_PX, 0)
        )
    return replace(tile, image=image, letters=letters, ignore=ignore.astype(np.float32))


def shrink(gray: npt.NDArray[np.uint8], scale: float) -> npt.NDArray[np.uint8]:
    """A picture made smaller by area averaging, as a coarser scan sees it."""
    size = (max(1, round(gray.shape[1] * scale)), max(1, round(gray.shape[0] * scale)))
    return np.asarray(cv2.resize(gray, size, interpolation=cv2.INTER_AREA), np.uint8)


def locator_targets(letters: Tensor, ignore: Tensor, side: int) -> LocatorTargets:
    """Targets of B tiles of `side` px.

    `letters` is (B, n, 11) as in `Tile`, padded with -1; `ignore` (B, m, 4) boxes in
    px, padded with zeros.
    """
    cells = side // STRIDE_PX
    real = letters[:, :, 6] >= 0
    anchor = letters[:, :, :2] / STRIDE_PX
    cell = anchor.floor().long().clamp(0, cells - 1)
    heat = _anchor_heat(letters, cell, anchor, real, cells)
    keep = 1.0 - _covered_cells(ignore / STRIDE_PX, cells)
    # An anchor inside another letter's ignored box still counts.
    keep = torch.maximum(keep, (heat > 0.6).to(keep.dtype))
    batch, row = real.nonzero(as_tuple=True)
    chosen_cells = torch.stack([batch, cell[batch, row, 1], cell[batch, row, 0]], dim=1)
    chosen = letters[batch, row]
    centre = (cell[batch, row] + 0.5) * STRIDE_PX
    offset = (chosen[:, :2] - centre) / BODY_HEIGHT_PX
    return LocatorTargets(
        heat=heat,
        keep=keep,
        cells=chosen_cells,
        letter=chosen[:, 6].long(),
        other=chosen[:, 9].long(),
        share=chosen[:, 10],
        turn=chosen[:, 7].long(),
        shape=torch.cat([offset, chosen[:, 2:6] / BODY_HEIGHT_PX], dim=1),
        scale=torch.log(chosen[:, 8] / BODY_HEIGHT_PX),
    )


def _anchor_heat(letters: Tensor, cell: Tensor, anchor: Tensor, real: Tensor, cells: int) -> Tensor:
    """(B, cells, cells): exactly 1 in the anchor's cell, a bell about it, widths by body height."""
    steps = torch.arange(-HEAT_RADIUS_CELLS, HEAT_RADIUS_CELLS + 1, device=letters.device)
    sigma = (letters[:, :, 8].clamp(min=4.0) / BODY_HEIGHT_PX * 0.8)[:, :, None]
    near = [cell[:, :, k, None] + steps for k in (0, 1)]
    bell = [
        torch.exp(-((near[k] + 0.5 - anchor[:, :, k, None]) ** 2) / (2 * sigma**2)) for k in (0, 1)
    ]
    value = bell[1][:, :, :, None] * bell[0][:, :, None, :] * 0.98
    value[:, :, HEAT_RADIUS_CELLS, HEAT_RADIUS_CELLS] = 1.0
    inside = [(n >= 0) & (n < cells) for n in near]
    value = value * inside[1][:, :, :, None] * inside[0][:, :, None, :] * real[:, :, None, None]
    place = near[1].clamp(0, cells - 1)[:, :, :, None] * cells
    place = place + near[0].clamp(0, cells - 1)[:, :, None, :]
    flat = torch.zeros(letters.shape[0], cells * cells, device=letters.device, dtype=value.dtype)
    flat.scatter_reduce_(1, place.flatten(1), value.flatten(1), reduce="amax")
    return flat.view(-1, cells, cells)


def _covered_cells(boxes: Tensor, cells: int) -> Tensor:
    """(B, cells, cells): 1 where a cell's centre lies in one of the (B, m, 4) boxes."""
    centres = torch.arange(cells, device=boxes.device) + 0.5
    across = (centres >= boxes[:, :, 0:1]) & (centres < boxes[:, :, 2:3])
    down = (centres >= boxes[:, :, 1:2]) & (centres < boxes[:, :, 3:4])
    # How many boxes lie over each cell; a product of matrices, for there may be hundreds.
    over = down.to(torch.float32).transpose(1, 2) @ across.to(torch.float32)
    return (over > 0.5).to(torch.float32)

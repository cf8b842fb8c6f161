"""Examples that are photographed on the training device: writing on even skin, with room about it.

A file of a pool then holds *wide* crops and tiles of a flat page, and a piece of bare skin;
`crownlet.train.fit.paint` makes of them rows such as `Crops` and `Tile` have, other ones each time
that they are shown. Labelled scans can be kept in the same way: they are cut anew each time.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
import torch
from torch import Tensor

from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.files.images import to_gray
from crownlet.datasets.render.page.flat import BARE_SIDE_PX, FlatPage, Ruling
from crownlet.infer.image.crops import (
    CROP_BODY_PX,
    CROP_HEIGHT_PX,
    CROP_WIDTH_PX,
    FILL_GREY,
    crop_matrices,
    cut_picture,
    fit_page,
    transform_boxes,
    transform_points,
)
from crownlet.infer.image.upright import (
    INK_GREY,
    divide_ground,
    flatten,
    grey_percentile,
)
from crownlet.train.fit.crops import (
    choose_letters,
    cover_parts,
    empty_places,
    letter_targets,
)
from crownlet.train.fit.tiles import Tile, cut_tile, pad_tile, read_tile_source

ROOM_PX = 16
"""Px on each side of a wide crop beyond what is shown."""

WIDE_HEIGHT_PX, WIDE_WIDTH_PX = CROP_HEIGHT_PX + 2 * ROOM_PX, CROP_WIDTH_PX + 2 * ROOM_PX

DARK_PERCENT, MAX_DARK_GREY = 2.0, 200.0
"""What of a page is taken for its darkest ink, and from where on nothing is ink: as in
`infer.image.upright.flatten`."""

SHARP_SKIN_GAIN = 1.02
"""The ground, an upper grey, is found so much too light where no camera has blurred the skin: the
mean of bare skin in crops, 215 without it, is 220 in pictures."""

NO_RULING = Ruling(-1e4, 1e4, -1e4, 1e4)
"""Of scans, which show their own."""

Arrays = dict[str, npt.NDArray[np.generic]]

WIDE_CROP_KEYS = (
    "wide", "spot", "frame", "ruling", "dark", "skin", "box", "parts", "letter", "other", "share",
    "defects", "tags",
)  # fmt: skip
"""Columns of N wide crops: `wide` (N, 160, 128) uint8, on bare skin 224; `spot` (N, 2) middle of
the body and ruled line, `frame` (N, 4) what of it the page fills, `ruling` (N, 4) as `Ruling`,
`box` (N, 4), all in its px; `dark` (N,) the grey of its page's ink and `skin` (N,) of its skin;
`parts` (N, 2, 80, 64) as `pack_masks` has them; the others as in `fit.crops.Crops`."""

MASK_LEVELS = 3
"""Parts of a px, of four of the picture, that a packed mask can cover."""

_FIRST_BITS = (0, 2, 4)
"""Of the masks in one plane; two bits each."""

WIDE_TILE_KEYS = (
    "tile_image", "tile_letters", "tile_ignore", "tile_frame", "tile_ruling", "tile_turns",
    "tile_unit", "tile_dark", "tile_skin",
)  # fmt: skip
"""Columns of wide tiles: as `fit.tiles.Tile`, frame and ruling in px before the tile is turned by
`tile_turns` quarters, `tile_unit` (n,) its px to one of a body of 48 px."""


def prepare_flat_examples(flat: FlatPage, rng: np.random.Generator, tiles: int) -> Arrays:
    """The examples of one flat page as named arrays: tiles, wide crops, and its piece of skin."""
    dark = min(grey_percentile(flat.page.image[::2, ::2], DARK_PERCENT), MAX_DARK_GREY)
    look = (dark, flat.skin_gray)
    return {
        **_wide_crops(flat.page, flat.page.image, 1.0, flat.ruling, look, rng),
        **_wide_tiles(flat.page, flat.page.image, flat.ruling, look, rng, tiles),
        "bare": _even_skin(flat.bare, rng)[None],
    }  # fmt: skip


def _even_skin(bare: npt.NDArray[np.uint8], rng: np.random.Generator) -> npt.NDArray[np.uint8]:
    """The skin with its light evened."""
    even = divide_ground(bare, CROP_BODY_PX * float(rng.uniform(0.75, 1.3)))
    return np.asarray(cv2.convertScaleAbs(even, alpha=SHARP_SKIN_GAIN), np.uint8)


def prepare_wide_scan(page: PageTruth, rng: np.random.Generator, tiles: int) -> Arrays:
    """The same of a labelled scan, whose skin is its own and its light evened."""
    heights = [letter.body[2] for letter in page.letters]
    body = float(np.median(heights)) if heights else CROP_BODY_PX
    even = flatten(to_gray(page.image), body * float(rng.uniform(0.8, 1.25)))
    look = (INK_GREY, 255.0)
    fitted = fit_page(even, body)
    return {
        **_wide_crops(page, fitted.page, fitted.scale, NO_RULING, look, rng),
        **_wide_tiles(page, even, NO_RULING, look, rng, tiles),
        "bare": np.full((1, BARE_SIDE_PX, BARE_SIDE_PX), FILL_GREY, np.uint8),
    }


def _wide_crops(
    page: PageTruth, gray: npt.NDArray[np.uint8], scale: float, ruling: Ruling,
    look: tuple[float, float], rng: np.random.Generator, most: int = 96,
) -> Arrays:  # fmt: skip
    """Columns of `WIDE_CROP_KEYS`; `gray` is the page scaled by `scale`."""
    letters = choose_letters(page, rng, most)
    bodies = np.array([letter.body for letter in letters]).reshape(-1, 4)
    boxes = np.array([letter.box for letter in letters]).reshape(-1, 4)
    empty = empty_places(page.letters, max(1, len(letters) // 16), rng)
    bodies = np.concatenate([bodies, empty[0]]) * (scale, scale, scale, 1.0)
    boxes = np.concatenate([boxes, empty[1]]) * scale
    matrices = crop_matrices(bodies, boxes)
    matrices[:, :, 2] += ROOM_PX
    # A letter of the size of crops is copied px by px.
    whole = (np.abs(np.abs(matrices[:, 0, 0]) - 1.0) < 1e-6)[:, None]
    matrices[:, :, 2] = np.where(whole, np.rint(matrices[:, :, 2]), matrices[:, :, 2])
    wide = np.empty((len(matrices), WIDE_HEIGHT_PX, WIDE_WIDTH_PX), np.uint8)
    for picture, matrix in zip(wide, matrices, strict=True):
        cut_picture(gray, matrix, picture)
    count = len(matrices)
    whole_page = np.repeat([[0.0, 0.0, gray.shape[1], gray.shape[0]]], count, axis=0)
    lines = np.array([[ruling.left, ruling.first], [ruling.right, ruling.first + ruling.pitch]])
    ruled = transform_points(np.repeat(lines[None], count, axis=0), matrices)
    columns = ("letter", "other", "share", "defects", "tags")
    return {
        "wide": wide,
        "spot": transform_points(bodies[:, None, :2], matrices)[:, 0].astype(np.float32),
        "frame": transform_boxes(whole_page, matrices).astype(np.float32),
        "ruling": np.stack(
            [
                ruled[:, 0, 1], np.abs(ruled[:, 1, 1] - ruled[:, 0, 1]),
                ruled[:, :, 0].min(axis=1), ruled[:, :, 0].max(axis=1),
            ], axis=1,
        ).astype(np.float32),
        "dark": np.full(count, look[0], np.float32),
        "skin": np.full(count, look[1], np.float32),
        "box": transform_boxes(boxes, matrices).astype(np.float32),
        "parts": pack_masks(cover_parts(
            [letter.parts for letter in letters] + [()] * len(empty[0]),
            matrices @ np.diag([scale, scale, 1.0]), (WIDE_HEIGHT_PX, WIDE_WIDTH_PX), halvings=1,
        )),
        **dict(zip(columns, letter_targets(letters, len(empty[0])), strict=True)),
    }  # fmt: skip


def pack_masks(masks: npt.NDArray[np.uint8]) -> npt.NDArray[np.uint8]:
    """(N, 2, H, W) planes with two bits of each of the masks (N, 6, H, W) but the first, which is
    the largest of the others."""
    levels = (masks[:, 1:].astype(np.uint16) * MASK_LEVELS + 127) // 255
    packed = np.zeros((len(masks), 2, *masks.shape[2:]), np.uint8)
    for channel in range(levels.shape[1]):
        shift = _FIRST_BITS[channel % len(_FIRST_BITS)]
        packed[:, channel // len(_FIRST_BITS)] |= (levels[:, channel] << shift).astype(np.uint8)
    return packed


def unpack_masks(packed: Tensor) -> Tensor:
    """(N, 6, H, W) masks in 0..1 of planes as `pack_masks` makes them."""
    bits = torch.tensor(_FIRST_BITS, device=packed.device, dtype=torch.uint8)[:, None, None]
    levels = ((packed[:, :, None] >> bits) & MASK_LEVELS).flatten(1, 2)[:, :5].float()
    return torch.cat([levels.amax(dim=1, keepdim=True), levels], dim=1) / MASK_LEVELS


def _wide_tiles(
    page: PageTruth, gray: npt.NDArray[np.uint8], ruling: Ruling, look: tuple[float, float],
    rng: np.random.Generator, count: int,
) -> Arrays:  # fmt: skip
    """Columns of `WIDE_TILE_KEYS` of tiles of a page with the light evened."""
    source = read_tile_source(page, rng, gray)
    tiles = [cut_tile(source, rng) for _ in range(count)]
    columns = [np.stack(column) for column in zip(*map(pad_tile, tiles), strict=True)]
    scales = np.array([tile.across.scale for tile in tiles], np.float32)
    return {
        **dict(zip(WIDE_TILE_KEYS[:3], columns, strict=True)),
        "tile_frame": np.array([_frame_of(tile) for tile in tiles], np.float32),
        "tile_ruling": np.array([_ruling_on(tile, ruling) for tile in tiles], np.float32),
        "tile_turns": np.array([tile.turns for tile in tiles], np.uint8),
        "tile_unit": scales * np.float32(source.height / CROP_BODY_PX),
        "tile_dark": np.full(count, look[0], np.float32),
        "tile_skin": np.full(count, look[1], np.float32),
    }


def _frame_of(tile: Tile) -> tuple[int, int, int, int]:
    across, down = tile.across, tile.down
    return across.place, down.place, across.place + across.length, down.place + down.length


def _ruling_on(tile: Tile, ruling: Ruling) -> tuple[float, float, float, float]:
    left, right = tile.across(np.array([ruling.left, ruling.right]))
    first = tile.down(np.array([ruling.first]))[0]
    return float(first), ruling.pitch * tile.down.scale, float(left), float(right)

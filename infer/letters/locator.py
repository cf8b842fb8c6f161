"""Letters of a whole page from the locator's maps: peaks, boxes, classes, rotations, no duplicates.

Large pages go through the network in overlapping tiles. Heights and rotations of single letters are
noisy, so each is then smoothed over its nearest neighbours.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.scribal.alphabet import index_of
from crownlet.infer.image.upright import SKIN_GREY
from crownlet.infer.networks import LOCATOR_BODY_PX, LocatorMaps, Networks
from crownlet.infer.records import Bools, Floats, Ints, Located

MAP_STRIDE_PX = 4
"""Pixels of the input per cell of the maps."""

INPUT_MULTIPLE_PX = 32
"""The network takes pages whose sides are multiples of this."""

MAX_UNTILED_PIXELS = 4_000_000
"""A page of at most this many pixels goes through the locator in one piece."""

TILE_PX = 1536

TILE_OVERLAP_PX = 320
"""Over ten bodies: wider than a letter stretched six times with its surroundings."""

DUPLICATE_DISTANCE_BODIES = 0.25
"""Anchors closer than this many bodies are one letter; a vav and its neighbour stand 0.4 apart."""

DUPLICATE_BOX_SHARE = 0.6
"""Boxes that share more of the smaller one are one letter, unless one of the two is a yud .."""

YUD_DISTANCE_BODIES = 0.3
""".. whose anchor is at least this share of a body away: it may hang over another's base."""

SMOOTHING_LETTERS = 9
"""A letter and its eight nearest."""

SMOOTHING_REACH_BODIES = 5.0
"""Letters farther off than this do not count as neighbours."""

OWN_SIZE_LOG_RATIO = 0.22
"""A letter whose height differs by more than this (logarithm) from its neighbours' is its own."""

OWN_HEIGHT_WEIGHT = 0.25
"""Share of a letter's own height in the corrected one."""

LETTERS_PER_BLOCK = 512
"""Letters compared at once with all others, so that memory stays bounded."""

Gray = npt.NDArray[np.uint8]


def locate(networks: Networks, flat: Gray, body: float, threshold: float) -> Located:
    """All letters of a flattened page (H, W) uint8 whose bodies are about `body` px high.

    `threshold` is the least centre probability kept. The answer is in px of `flat`.
    """
    scale = LOCATOR_BODY_PX / body
    page = resize(flat, scale)
    found = [
        _keep_core(decode_maps(networks.locate(_pad_input(piece)), threshold), core, origin)
        for piece, origin, core in _tiles(page)
    ]
    return suppress_duplicates(_concatenate(found)).scaled(1.0 / scale)


def smooth_neighbours(found: Located) -> Located:
    """The same letters with heights and rotations that agree with their neighbours'."""
    if len(found) < 3:
        return found
    anchors, height = found.anchors, found.height
    quarters = found.quarter_turns
    heights, turns = height.copy(), quarters.copy()
    for start in range(0, len(found), LETTERS_PER_BLOCK):
        rows = slice(start, min(start + LETTERS_PER_BLOCK, len(found)))
        near, in_reach = _nearest_letters(anchors, rows, height[rows])
        around = np.where(in_reach, np.log(height)[near], np.nan)
        usual = _row_medians(around)
        own = np.log(height[rows])
        close = np.abs(own - usual) < OWN_SIZE_LOG_RATIO
        heights[rows] = np.where(
            close, np.exp(OWN_HEIGHT_WEIGHT * own + (1 - OWN_HEIGHT_WEIGHT) * usual), height[rows]
        )
        same = [in_reach & (quarters[near] == k) for k in range(4)]
        votes = np.stack([each.sum(axis=1) for each in same], axis=1)
        ahead = votes.max(axis=1) > votes[np.arange(len(votes)), quarters[rows]]
        turns[rows] = np.where(ahead, votes.argmax(axis=1), quarters[rows])
    return Located(
        _bodies_at_anchors(anchors, heights, np.asarray(90.0 * turns, np.float64)),
        found.box,
        found.score,
        found.letters,
    )


def _row_medians(rows: Floats) -> Floats:
    """(N,) medians of what is not NaN in each row, of which there is some; as numpy's `nanmedian`,
    which takes ten times as long for short rows."""
    ordered = np.sort(rows, axis=1)
    count = np.count_nonzero(~np.isnan(rows), axis=1)
    row = np.arange(len(rows))
    result: Floats = (ordered[row, (count - 1) // 2] + ordered[row, count // 2]) / 2
    return result


def suppress_duplicates(found: Located) -> Located:
    """The surest of several answers for one letter (non-maximum suppression).

    Answers are for one letter where their anchors stand nearly at one place, or their boxes do.
    """
    if not len(found):
        return found
    order = np.argsort(-found.score, kind="stable")
    surest = found.take(order)
    later, surer = _neighbour_pairs(surest)
    double = _are_duplicates(surest, later, surer)
    kept = np.ones(len(found), np.bool_)
    for i, j in zip(later[double], surer[double], strict=True):
        # One that is itself suppressed suppresses no other.
        kept[i] &= not kept[j]
    return found.take(np.sort(order[kept]))


def decode_maps(maps: LocatorMaps, threshold: float) -> Located:
    """Letters of one locator run, in px of its input: 3 x 3 maxima of `centre` over `threshold`."""
    rows, columns = find_peaks(maps.centre, threshold)
    shape = maps.shape[:, rows, columns].astype(np.float64) * LOCATOR_BODY_PX
    cells = np.stack([(columns + 0.5) * MAP_STRIDE_PX, (rows + 0.5) * MAP_STRIDE_PX], axis=1)
    anchor = cells + shape[:2].T
    box = np.concatenate([anchor - shape[2:4].T, anchor + shape[4:6].T], axis=1)
    height = LOCATOR_BODY_PX * np.exp(maps.scale[0, rows, columns].astype(np.float64))
    turn = 90.0 * maps.turn[:, rows, columns].argmax(axis=0)
    angle = np.deg2rad(turn)
    down = np.stack([-np.sin(angle), np.cos(angle)], axis=1)
    ruled = anchor - down * (height[:, None] / 2)
    return Located(
        body=np.column_stack([ruled, height, turn]),
        box=box,
        score=maps.centre[rows, columns].astype(np.float64),
        letters=softmax(maps.letter[:, rows, columns].T.astype(np.float64)),
    )


def find_peaks(
    centre: npt.NDArray[np.float32], threshold: float
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Rows and columns of the 3 x 3 maxima of a map (h, w) that reach `threshold`."""
    highest = cv2.dilate(centre, np.ones((3, 3), np.uint8))
    rows, columns = np.nonzero((centre >= threshold) & (centre >= highest))
    return rows, columns


def softmax(logits: Floats) -> Floats:
    """Probabilities over the last axis."""
    if not logits.size:
        return logits
    grown = np.exp(logits - logits.max(axis=-1, keepdims=True))
    result: Floats = grown / grown.sum(axis=-1, keepdims=True)
    return result


def resize(flat: Gray, scale: float) -> Gray:
    """A page enlarged by `scale`: by area averaging when it shrinks."""
    size = (max(1, round(flat.shape[1] * scale)), max(1, round(flat.shape[0] * scale)))
    if size == (flat.shape[1], flat.shape[0]):
        return flat
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(flat, size, interpolation=way), np.uint8)


def _tiles(
    page: Gray,
) -> Iterator[tuple[Gray, tuple[int, int], tuple[float, float, float, float]]]:
    """(pixels, their origin (x, y), the core whose letters this tile gives) over the page."""
    height, width = page.shape
    if height * width <= MAX_UNTILED_PIXELS:
        yield page, (0, 0), (-np.inf, -np.inf, np.inf, np.inf)
        return
    rows, columns = _tile_starts(height), _tile_starts(width)
    for top, y0, y1 in rows:
        for left, x0, x1 in columns:
            yield page[top : top + TILE_PX, left : left + TILE_PX], (left, top), (x0, y0, x1, y1)


def _tile_starts(length: int) -> list[tuple[int, float, float]]:
    """(start of a tile, start and end of its core) along one axis, cores meeting halfway."""
    if length <= TILE_PX:
        return [(0, -np.inf, np.inf)]
    count = int(np.ceil((length - TILE_OVERLAP_PX) / (TILE_PX - TILE_OVERLAP_PX)))
    starts = np.linspace(0, length - TILE_PX, count).round().astype(int)
    seams = [(a + TILE_PX + b) / 2 for a, b in pairwise(starts)]
    edges = [-np.inf, *seams, np.inf]
    return [(int(s), edges[i], edges[i + 1]) for i, s in enumerate(starts)]


def _pad_input(piece: Gray) -> npt.NDArray[np.float32]:
    """The piece as (1, 1, H, W) float32 in 0..1, filled up with bare ground to multiples of 32."""
    height = -(-piece.shape[0] // INPUT_MULTIPLE_PX) * INPUT_MULTIPLE_PX
    width = -(-piece.shape[1] // INPUT_MULTIPLE_PX) * INPUT_MULTIPLE_PX
    page = np.full((1, 1, height, width), SKIN_GREY / 255.0, np.float32)
    np.multiply(piece, np.float32(1 / 255), out=page[0, 0, : piece.shape[0], : piece.shape[1]])
    return page


def _keep_core(
    found: Located, core: tuple[float, float, float, float], origin: tuple[int, int]
) -> Located:
    """Letters of a tile moved to the page, those of its core only."""
    shift = np.array([origin[0], origin[1]], np.float64)
    moved = found.moved(shift)
    x, y = moved.anchors.T
    # A little beyond the core: an anchor may cross the seam of two tiles; duplicates go later.
    slack = LOCATOR_BODY_PX
    inside = (x >= core[0] - slack) & (x < core[2] + slack)
    return moved.take(inside & (y >= core[1] - slack) & (y < core[3] + slack))


def _concatenate(found: list[Located]) -> Located:
    return Located(
        body=np.concatenate([f.body for f in found]),
        box=np.concatenate([f.box for f in found]),
        score=np.concatenate([f.score for f in found]),
        letters=np.concatenate([f.letters for f in found]),
    )


def _neighbour_pairs(found: Located) -> tuple[Ints, Ints]:
    """Pairs (i, j), i rising and j before i, in one or in neighbouring cells of three bodies."""
    cells = np.floor(found.anchors / (float(np.median(found.height)) * 3)).astype(int)
    cells -= cells.min(axis=0)
    stride = int(cells[:, 0].max()) + 2  # No cell is the neighbour of one in the next row.
    place = cells[:, 1] * stride + cells[:, 0]
    by_place = np.argsort(place)
    ordered = place[by_place]
    pairs = []
    for row in (-stride, 0, stride):
        first = np.searchsorted(ordered, place + row - 1, "left")
        count = np.searchsorted(ordered, place + row + 1, "right") - first
        start = np.cumsum(count) - count
        i = np.repeat(np.arange(len(place)), count)
        j = by_place[np.arange(len(i)) - np.repeat(start - first, count)]
        pairs.append(np.stack([i, j])[:, j < i])
    near = np.concatenate(pairs, axis=1)
    i, j = near[:, np.argsort(near[0], kind="stable")]
    return i, j


def _are_duplicates(found: Located, i: Ints, j: Ints) -> Bools:
    """(P,) whether letter `i` repeats letter `j`."""
    away = np.hypot(*(found.anchors[j] - found.anchors[i]).T)
    close = away < DUPLICATE_DISTANCE_BODIES * np.minimum(found.height[j], found.height[i])
    low = np.maximum(found.box[i, :2], found.box[j, :2])
    high = np.minimum(found.box[i, 2:], found.box[j, 2:])
    shared = np.prod(np.clip(high - low, 0, None), axis=1)
    area = np.prod(found.box[:, 2:] - found.box[:, :2], axis=1)
    # A yud may stand over the base of the letter before it, wholly within that letter's box.
    yud = found.letters.argmax(axis=1) == index_of("י")
    kin = (yud[i] == yud[j]) | (away < YUD_DISTANCE_BODIES * found.height[i])
    return np.asarray(close | ((shared > DUPLICATE_BOX_SHARE * np.minimum(area[i], area[j])) & kin))


def _nearest_letters(anchors: Floats, rows: slice, height: Floats) -> tuple[Ints, Bools]:
    """(R, K) indices of the nearest letters, each itself included, and which are in reach."""
    x, y = anchors.T
    across, down = x - x[rows, None], y - y[rows, None]
    squared = across * across + down * down
    count = min(SMOOTHING_LETTERS, len(anchors))
    near = np.argpartition(squared, count - 1, axis=1)[:, :count]
    away = np.sqrt(np.take_along_axis(squared, near, axis=1))
    return near, away <= SMOOTHING_REACH_BODIES * height[:, None]


def _bodies_at_anchors(anchors: Floats, heights: Floats, turns: Floats) -> Floats:
    """Bodies that keep their anchors: the ruled line follows the height."""
    angle = np.deg2rad(turns)
    down = np.stack([-np.sin(angle), np.cos(angle)], axis=1)
    return np.column_stack([anchors - down * (heights[:, None] / 2), heights, turns])

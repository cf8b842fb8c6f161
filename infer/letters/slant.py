"""The perspective of a picture taken at a slant, by its ink or by its letters.

The direction of the lines leaves one angle open, by which the page is turned about them: the one at
which strokes stand upright on the lines, and letters are of one height.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from crownlet.datasets.files.images import Gray
from crownlet.infer.image.perspective import MARGIN_SHARE, Straightening, facing, map_points
from crownlet.infer.letters.scale import stroke_width
from crownlet.infer.limits import limits_of
from crownlet.infer.records import Floats, Ints, Located

_LIMITS = limits_of("letters.slant")

DEFAULT_BODY_PX = _LIMITS.number("default_body_px")
"""Body height where no stroke shows the width of the pen."""

_TURNS_ABOUT_LINES = np.linspace(
    *_LIMITS.span("turns_about_lines_degrees"), _LIMITS.whole("turns_about_lines_count")
)
"""Trial angles, in degrees, by which the page is turned toward the camera about its lines."""

LEVEL_WEIGHT = _LIMITS.number("level_weight")
"""Weight of a turn of 45 degrees against edges that are square to the lines."""

HEIGHT_WEIGHT = _LIMITS.number("height_weight")
"""Weight of unequal heights of letters against edges that are square to the lines."""

MIN_SQUARENESS_GAIN = _LIMITS.number("min_squareness_gain")
"""Gain in squareness of the edges by which parallel lines are seen at a slant."""

PART_MARGIN_SHARE = _LIMITS.number("part_margin_share")
"""Margin around the ink of a part of the tiles, as `MARGIN_SHARE`: amid the grain of a table, tiles
at the ends of lines may show the grain alone, and letters on them would be cut off."""

HEIGHT_PERCENTILES = _LIMITS.span("height_percentiles")
"""Between these the heights of letters are compared: on a page seen at a slant more than a tenth
may be located in pieces, whose heights tell nothing."""

MASK_SIDE_PX = 512
"""Longer side of the grid that holds where letters stand."""

FIT_ROUNDS = _LIMITS.whole("fit_rounds")
"""Rounds in which lines that fit badly lose weight."""

MIN_LINE_LETTERS = _LIMITS.whole("min_line_letters")
"""Letters of a line from which it shows the perspective."""

MIN_FITTED_LINES = _LIMITS.whole("min_fitted_lines")
"""Such lines of a page from which the perspective is measured again."""

FOCAL_SHARE = _LIMITS.number("focal_share")
"""Focal length as a share of the picture's longer side: of a telephone's camera about 0.75, and
more where the picture is cut out of a larger one. If it is wrong, letters come out somewhat too
wide or too narrow."""

EDGE_BODY_PX = _LIMITS.number("edge_body_px")
"""Body height at which edges of strokes are taken."""

MAX_EDGES = _LIMITS.whole("max_edges")
"""Most points of edges that are looked at."""

MIN_RISE_SHARE = _LIMITS.number("min_rise_share")
"""Least rise of an edge, in shares of the steepest ones."""


def line_axis(degrees: float, steepness: float) -> Floats:
    """(3,) unit direction of the lines in the camera's frame."""
    angle = np.deg2rad(degrees)
    axis = np.array([np.cos(angle), np.sin(angle), steepness])
    result: Floats = axis / np.linalg.norm(axis)
    return result


def rays_of(points: Floats, flat: Gray) -> Floats:
    """Points (N, 2) from the middle of the picture, in focal lengths."""
    height, width = flat.shape
    result: Floats = (points - np.array([width, height]) / 2) / (FOCAL_SHARE * max(width, height))
    return result


def facing_views(
    flat: Gray, ink: Floats, along: Floats, where: Gray | None, min_gain: float = -np.inf
) -> Iterator[Straightening]:
    """The picture seen from in front, if there is one, its strokes being upright on the lines.

    `where` as in `_stroke_edges`. Nothing where strokes gain less than `min_gain` in squareness by
    a turn about the lines.
    """
    edges = _stroke_edges(flat, along, where)
    margin = MARGIN_SHARE if where is None else PART_MARGIN_SHARE
    tries = [(_face(flat, ink, along, turn, margin), float(turn)) for turn in _TURNS_ABOUT_LINES]
    seen = [(s, turn, edges.squareness(s.matrix, turn)) for s, turn in tries if s is not None]
    best = max(seen, key=lambda each: each[2] - LEVEL_WEIGHT * (each[1] / 45) ** 2, default=None)
    if best is not None and best[2] > min_gain + max(
        (q for _, t, q in seen if t == 0), default=0.0
    ):
        yield best[0]


def _face(
    flat: Gray, ink: Floats, along: Floats, degrees: float, margin_share: float = MARGIN_SHARE
) -> Straightening | None:
    """The picture seen from in front, the page being turned by `degrees` about its lines."""
    ahead = np.array([0.0, 0.0, 1.0]) - along[2] * along
    ahead /= np.linalg.norm(ahead)
    angle = np.deg2rad(degrees)
    down = np.cos(angle) * np.cross(ahead, along) + np.sin(angle) * ahead
    into = np.cross(along, down)
    if abs(along[1]) > abs(along[0]):  # Quarter turns are left to the letters.
        along, down = (-down, along) if along[1] > 0 else (down, -along)
    elif along[0] < 0:
        along, down = -along, -down
    height, width = flat.shape
    focal_px = FOCAL_SHARE * max(width, height)
    return facing(np.stack([along, down, into]), focal_px, (width, height), ink, margin_share)


@dataclass(frozen=True)
class _Edges:
    """Short pieces of the edges of strokes, N of them."""

    start: Floats
    end: Floats
    """(N, 2) px."""
    weight: Floats
    down: int
    """Which of x and y runs across the lines: 1, or 0 where the page lies on its side."""

    def squareness(self, matrix: Floats, turn_about_lines: float) -> float:
        """1 where all edges run along or across the lines after mapping; 0 in any direction.

        Letters are not stretched by the turn, in degrees, or slanting strokes would stand upright.
        """
        step = map_points(matrix, self.end) - map_points(matrix, self.start)
        step[:, self.down] *= np.cos(np.deg2rad(turn_about_lines))
        around = np.cos(4 * np.arctan2(step[:, 1], step[:, 0]))
        return float((self.weight * around).sum() / self.weight.sum())


def _stroke_edges(flat: Gray, along: Floats, where: Gray | None) -> _Edges:
    """Edges of the strokes of a flattened page with lines in the direction `along` (3,).

    `where` (h, w), of any size, covers the page and is 0 where no edge is taken.
    """
    body = 3.0 * stroke_width(flat) or DEFAULT_BODY_PX
    scale = min(1.0, EDGE_BODY_PX / body)
    size = (max(8, round(flat.shape[1] * scale)), max(8, round(flat.shape[0] * scale)))
    small = cv2.GaussianBlur(cv2.resize(flat, size, interpolation=cv2.INTER_AREA), (0, 0), 1.0)
    across = cv2.Sobel(small, cv2.CV_32F, 1, 0)
    down = cv2.Sobel(small, cv2.CV_32F, 0, 1)
    rise = np.asarray(np.hypot(across, down), np.float64)
    if where is not None:
        rise *= cv2.resize(where, size, interpolation=cv2.INTER_NEAREST)
    steep = float(np.percentile(rise, 98))
    y, x = np.nonzero(rise > MIN_RISE_SHARE * steep)
    if len(x) > MAX_EDGES:
        kept = np.random.default_rng(0).permutation(len(x))[:MAX_EDGES]
        x, y = x[kept], y[kept]
    start = np.asarray((np.stack([x, y], axis=1) + 0.5) / scale, np.float64)
    step = np.stack([-down[y, x], across[y, x]], axis=1) / rise[y, x, None]
    level = int(abs(along[0]) >= abs(along[1]))
    return _Edges(start, np.asarray(start + step, np.float64), rise[y, x], level)


def view_by_letters(flat: Gray, given: Located, line: Ints) -> Straightening | None:
    """The picture seen from in front by its letters, in px of the picture as given.

    `flat` is that picture flattened (H, W), `line` (N,) the line of each letter. None where the
    letters show no perspective.
    """
    along = axis_through_lines(rays_of(given.anchors, flat), line)
    if along is None:
        return None
    edges = _stroke_edges(flat, along, _letters_mask(flat, given))
    tries = [_face(flat, given.anchors, along, turn) for turn in _TURNS_ABOUT_LINES]
    scored = [
        (edges.squareness(s.matrix, turn) - HEIGHT_WEIGHT * _height_spread(s, given), k)
        for k, (s, turn) in enumerate(zip(tries, _TURNS_ABOUT_LINES, strict=True))
        if s is not None
    ]
    return tries[max(scored)[1]] if scored else None


def _letters_mask(flat: Gray, given: Located) -> Gray:
    """(h, w) 1 in the boxes of the letters, else 0, on a grid over the page (H, W)."""
    height, width = flat.shape
    scale = min(1.0, MASK_SIDE_PX / max(height, width))
    mask = np.zeros((max(1, round(height * scale)), max(1, round(width * scale))), np.uint8)
    low = np.floor(given.box[:, :2] * scale).astype(int)
    high = np.ceil(given.box[:, 2:] * scale).astype(int)
    for (x0, y0), (x1, y1) in zip(low, high, strict=True):
        mask[max(y0, 0) : y1, max(x0, 0) : x1] = 1
    return mask


def axis_through_lines(rays: Floats, line: Ints) -> Floats | None:
    """(3,) direction of the written lines in the camera's frame; None where there are too few.

    `rays` (N, 2) are the middles of the letters' bodies, `line` (N,) the line of each. The plane
    through the camera and each line holds the direction.
    """
    normals, weight = [], []
    for number in np.unique(line):
        seen = rays[line == number]
        if len(seen) >= MIN_LINE_LETTERS:
            middle = seen.mean(axis=0)
            along = np.linalg.svd(seen - middle)[2][0]
            normal = np.cross(np.append(middle, 1.0), np.append(along, 0.0))
            normals.append(normal / np.linalg.norm(normal))
            weight.append(float(np.ptp((seen - middle) @ along)))
    if len(normals) < MIN_FITTED_LINES:
        return None
    planes, trust = np.array(normals), np.array(weight)
    axis = np.array([1.0, 0.0, 0.0])
    for _ in range(FIT_ROUNDS):
        axis = np.linalg.svd(planes * trust[:, None])[2][2]
        off = np.abs(planes @ axis)
        trust = np.array(weight) / (1 + (off / max(1.5 * float(np.median(off)), 1e-6)) ** 2)
    return axis


def _height_spread(straightened: Straightening, given: Located) -> float:
    """Spread of the natural logarithms of the letters' heights on the straight picture."""
    step = map_points(straightened.matrix, given.anchors) - map_points(
        straightened.matrix, given.centre
    )
    heights = np.log(np.hypot(*step.T))
    low, high = np.percentile(heights, HEIGHT_PERCENTILES)
    return float(high - low)

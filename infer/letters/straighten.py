"""A picture on which the writing lies askew is made straight before its letters are read.

The ink shows the slope of the lines, and whether they converge (`image/upright`); the locator must
then find sure and level letters on the straight picture, or the picture stays as it is. A slope of
a few degrees needs none of this. Of a picture taken at a slant the letters themselves give the
perspective once more: their lines, and their heights, which are equal on the page.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from crownlet.datasets.files.images import Gray, PageError
from crownlet.infer.image.perspective import Straightening, facing, map_points, rotation
from crownlet.infer.image.upright import (
    InkSlopes,
    Placement,
    flatten,
    ink_slopes,
    rotate_letters_back,
    slopes_at,
    turn_upright,
)
from crownlet.infer.layout.lines import lay_out
from crownlet.infer.letters.locator import locate, smooth_neighbours
from crownlet.infer.letters.refusal import BLANK_TEXT, why_refused
from crownlet.infer.letters.scale import (
    MIN_LETTERS,
    SURE_PROBABILITY,
    LetterSize,
    estimate_size,
    is_blank,
    stroke_width,
)
from crownlet.infer.limits import limits_of
from crownlet.infer.networks import Networks
from crownlet.infer.records import Floats, Ints, Located

_LIMITS = limits_of("letters.straighten")

MIN_TILT_DEGREES = _LIMITS.number("min_tilt_degrees")
"""Slopes up to this are read as they are: to the networks they are nothing unusual."""

MIN_CONTRAST = _LIMITS.number("min_contrast")
"""A slope that shows less plainly in the ink is none."""

MIN_CONVERGING_RATIO = _LIMITS.number("min_converging_ratio")
"""How much more plainly converging lines must show than parallel ones."""

MIN_FAN_DEGREES = _LIMITS.number("min_fan_degrees")
"""Converging lines whose slopes differ by less over the page are read as parallel."""

MAX_REMAINING_SLOPE_DEGREES = _LIMITS.number("max_remaining_slope_degrees")
"""Slope of the letters found on the straight picture up to which it is straight."""

MIN_PROBABILITY = _LIMITS.number("min_probability")
"""Mean probability of the letters from which their lines may show the perspective."""

PLAIN_PROBABILITY = _LIMITS.number("plain_probability")
"""Mean probability of the letters at which no other way to straighten is tried."""

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

MAX_SIDE_PX = 32_766
"""OpenCV warps no picture with a longer side."""

MAX_REFINEMENTS = _LIMITS.whole("max_refinements")
"""How often the perspective is taken again from letters."""

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

DEFAULT_BODY_PX = _LIMITS.number("default_body_px")
"""Body height where no stroke shows the width of the pen."""


@dataclass(frozen=True)
class StraightPage:
    """A picture and its flattened form, straight but for quarter turns, and its letters' size."""

    gray: Gray
    flat: Gray
    size: LetterSize
    straightened: Straightening

    @property
    def is_straight(self) -> bool:
        """Whether its letters are sure and level."""
        level = abs(np.rad2deg(np.arctan(self.size.slope))) < MAX_REMAINING_SLOPE_DEGREES
        return bool(level and self.size.mean_p > SURE_PROBABILITY)


@dataclass(frozen=True)
class UprightPicture:
    """A picture made ready for the locator."""

    gray: Gray
    """(H, W), straight but for quarter turns."""
    flat: Gray
    """The same, flattened for its letters and upright."""
    body_px: float
    """Height of its letters' bodies."""
    placement: Placement


def flatten_upright(label: str, gray: Gray, networks: Networks, threshold: float) -> UprightPicture:
    """The page (H, W) straight, flattened and upright, and the size of its letters.

    `threshold` is the least centre probability kept. PageError, naming `label`, for a page that is
    blank, or whose letters are none or too small.
    """
    flat = flatten(gray)
    if is_blank(gray, flat):
        raise PageError(label, BLANK_TEXT)
    straight = straighten(networks, gray, flat, threshold)
    if straight is None:
        size, straightened = estimate_size(networks, flat, threshold), None
    else:
        gray, size, straightened = straight.gray, straight.size, straight.straightened
    del straight
    if not size.is_readable:
        raise PageError(label, why_refused(gray, flat, size))
    del flat  # Before the next one is made: a page may have hundreds of megabytes.
    height, width = gray.shape
    return UprightPicture(
        gray, turn_upright(flatten(gray, size.body_px), size.turn), size.body_px,
        Placement(size.turn, (width, height), straightened),
    )  # fmt: skip


def orientation_notes(placement: Placement) -> tuple[str, ...]:
    """Sentences on a picture that was turned, or made straight, before it was read."""
    notes = []
    if placement.turn:
        way = {180: "upside down"}.get(placement.turn, "on its side")
        notes.append(f"The picture stands {way}; it was turned before it was read.")
    if placement.slant_degrees:
        notes.append(
            f"The picture was taken at a slant of about {placement.slant_degrees:.0f} degrees; "
            "its perspective was removed before it was read. Take it from straight above for surer "
            "widths and gaps."
        )
    elif placement.straightened:
        notes.append(
            f"The writing is tilted by {placement.tilt_degrees:.0f} degrees; the picture was "
            "rotated before it was read."
        )
    return tuple(notes)


def straighten(networks: Networks, gray: Gray, flat: Gray, threshold: float) -> StraightPage | None:
    """The straight picture; None where the writing is straight or nothing better was found.

    `gray` is the picture as given (H, W), `flat` the same flattened.
    """
    slopes = ink_slopes(flat, 3.0 * stroke_width(flat) or DEFAULT_BODY_PX)
    if slopes is None:
        return None
    best: StraightPage | None = None
    for straightened in _candidates(flat, slopes):
        page = _read_straight(networks, gray, straightened, threshold)
        best = page if best is None or _is_surer(page, best) else best
        if best is not None and best.size.mean_p > PLAIN_PROBABILITY:
            break
    for _ in range(MAX_REFINEMENTS):
        if best is None or not (
            best.straightened.slant_degrees or best.size.mean_p < PLAIN_PROBABILITY
        ):
            break
        again = _refine(networks, gray, flat, best, threshold)
        if not _is_surer(again, best):
            break
        best = again
    return best if best is not None and best.is_straight else None


def _is_surer(page: StraightPage | None, other: StraightPage) -> bool:
    return page is not None and page.size.mean_p > other.size.mean_p


def _candidates(flat: Gray, slopes: InkSlopes) -> Iterator[Straightening]:
    """What may make the picture straight, likeliest first."""
    extent = (flat.shape[1], flat.shape[0])
    degrees, steep = slopes.converging
    plainer = slopes.converging_contrast + 1 > MIN_CONVERGING_RATIO * (slopes.contrast + 1)
    fan = np.ptp(np.percentile(slopes_at(_rays(slopes.ink, flat), degrees, steep), (2, 98)))
    if plainer and slopes.converging_contrast > MIN_CONTRAST and fan > MIN_FAN_DEGREES:
        yield from _facing(flat, slopes.ink, _line_axis(degrees, steep))
    if slopes.contrast > MIN_CONTRAST and abs(slopes.tilt) > MIN_TILT_DEGREES:
        # Before a camera that is far away lines are parallel, but letters lean.
        yield from _facing(flat, slopes.ink, _line_axis(slopes.degrees, 0.0), MIN_SQUARENESS_GAIN)
        yield rotation(slopes.tilt, extent)


def _line_axis(degrees: float, steepness: float) -> Floats:
    """(3,) unit direction of the lines in the camera's frame."""
    angle = np.deg2rad(degrees)
    axis = np.array([np.cos(angle), np.sin(angle), steepness])
    result: Floats = axis / np.linalg.norm(axis)
    return result


def _rays(points: Floats, flat: Gray) -> Floats:
    """Points (N, 2) from the middle of the picture, in focal lengths."""
    height, width = flat.shape
    result: Floats = (points - np.array([width, height]) / 2) / (FOCAL_SHARE * max(width, height))
    return result


def _facing(
    flat: Gray, ink: Floats, along: Floats, min_gain: float = -np.inf
) -> Iterator[Straightening]:
    """The picture seen from in front, if there is one, its strokes being upright on the lines.

    Nothing where strokes gain less than `min_gain` in squareness by a turn about the lines.
    """
    edges = _stroke_edges(flat, along)
    tries = [(_face(flat, ink, along, turn), float(turn)) for turn in _TURNS_ABOUT_LINES]
    seen = [(s, turn, edges.squareness(s.matrix, turn)) for s, turn in tries if s is not None]
    best = max(seen, key=lambda each: each[2] - LEVEL_WEIGHT * (each[1] / 45) ** 2, default=None)
    if best is not None and best[2] > min_gain + max(
        (q for _, t, q in seen if t == 0), default=0.0
    ):
        yield best[0]


def _face(flat: Gray, ink: Floats, along: Floats, degrees: float) -> Straightening | None:
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
    return facing(
        np.stack([along, down, into]), FOCAL_SHARE * max(width, height), (width, height), ink
    )


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


def _stroke_edges(flat: Gray, along: Floats) -> _Edges:
    """Edges of the strokes of a flattened page with lines in the direction `along` (3,)."""
    body = 3.0 * stroke_width(flat) or DEFAULT_BODY_PX
    scale = min(1.0, EDGE_BODY_PX / body)
    size = (max(8, round(flat.shape[1] * scale)), max(8, round(flat.shape[0] * scale)))
    small = cv2.GaussianBlur(cv2.resize(flat, size, interpolation=cv2.INTER_AREA), (0, 0), 1.0)
    across = cv2.Sobel(small, cv2.CV_32F, 1, 0)
    down = cv2.Sobel(small, cv2.CV_32F, 0, 1)
    rise = np.asarray(np.hypot(across, down), np.float64)
    steep = float(np.percentile(rise, 98))
    y, x = np.nonzero(rise > MIN_RISE_SHARE * steep)
    if len(x) > MAX_EDGES:
        kept = np.random.default_rng(0).permutation(len(x))[:MAX_EDGES]
        x, y = x[kept], y[kept]
    start = np.asarray((np.stack([x, y], axis=1) + 0.5) / scale, np.float64)
    step = np.stack([-down[y, x], across[y, x]], axis=1) / rise[y, x, None]
    level = int(abs(along[0]) >= abs(along[1]))
    return _Edges(start, np.asarray(start + step, np.float64), rise[y, x], level)


def _read_straight(
    networks: Networks, gray: Gray, straightened: Straightening, threshold: float
) -> StraightPage | None:
    """The straight picture with its letters' size; None where there are hardly any."""
    if max(*straightened.size, *straightened.given_size) > MAX_SIDE_PX:
        return None
    straight = straightened.warp(gray)
    flat = flatten(straight)
    size = estimate_size(networks, flat, threshold)
    seen = size.letter_count >= MIN_LETTERS and size.mean_p > MIN_PROBABILITY
    return StraightPage(straight, flat, size, straightened) if seen else None


def _refine(
    networks: Networks, gray: Gray, flat: Gray, page: StraightPage, threshold: float
) -> StraightPage | None:
    """The same with its perspective by the lines of its letters; None where they show none."""
    turn, body = page.size.turn, page.size.body_px
    upright = turn_upright(flatten(page.gray, body), turn)
    found = smooth_neighbours(locate(networks, upright, body, threshold))
    layout = lay_out(found)
    straight = rotate_letters_back(found.take(layout.order), turn, page.straightened.size)
    given = page.straightened.letters_back(straight)
    along = _axis_through_lines(_rays(given.anchors, flat), layout.line)
    if along is None:
        return None
    edges = _stroke_edges(flat, along)
    tries = [_face(flat, given.anchors, along, turn) for turn in _TURNS_ABOUT_LINES]
    scored = [
        (edges.squareness(s.matrix, turn) - HEIGHT_WEIGHT * _height_spread(s, given), k)
        for k, (s, turn) in enumerate(zip(tries, _TURNS_ABOUT_LINES, strict=True))
        if s is not None
    ]
    best = tries[max(scored)[1]] if scored else None
    return None if best is None else _read_straight(networks, gray, best, threshold)


def _axis_through_lines(rays: Floats, line: Ints) -> Floats | None:
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
    low, high = np.percentile(heights, (10, 90))
    return float(high - low)

"""Width of the opening of a letter's inner space: 0 in samech and final mem, more in mem and pe.

The opening is as wide as the widest disc that passes from the middle of the inner space to the
outside, found by bisection.
"""

from __future__ import annotations

import cv2
import numpy as np

from crownlet.infer.limits import limits_of
from crownlet.infer.measure.edges import MAX_SKIN_DARKNESS, gap_edges, shows_skin
from crownlet.infer.measure.gaps import gap_between, nearest_pixels
from crownlet.infer.measure.ink import Length, LetterInk, Mask
from crownlet.infer.records import Floats

_LIMITS = limits_of("measure.openings")

MAX_CONTACT_PX = _LIMITS.number("max_contact_px")
"""Distance of the nearest pixels of two limbs below which they meet."""

MIN_LIMB_P = _LIMITS.number("min_limb_p")
"""Probability above which ink belongs to drop or frame."""

MAX_FACING_COSINE = _LIMITS.number("max_facing_cosine")
"""Cosine below which ink lies on the other side of a gap, at most 60 degrees off the line."""

RING_LETTERS, NOSE_LETTERS, DROP_LETTERS = "סם", "מ", "פף"

OPENING_LETTERS = RING_LETTERS + NOSE_LETTERS + DROP_LETTERS

DROP_JOINT_BOTTOM_Q = _LIMITS.number("drop_joint_bottom_q")
"""The drop is joined to the roof above this, in q below the ruled line."""

NOSE_JOINT_BOTTOM_Q = _LIMITS.number("nose_joint_bottom_q")
"""Mem's nose is joined to its roof above this."""

MIN_LIMB_AREA_SQUARE_Q = _LIMITS.number("min_limb_area_square_q")
"""Nose and base, drop and frame, show at least this much ink below their joint, in square q."""

MIN_HOLE_AREA_SQUARE_Q, HOLE_MIDDLE_TOP_Q = (
    _LIMITS.number("min_hole_area_square_q"),
    _LIMITS.number("hole_middle_top_q"),
)
"""An enclosed space is larger than the first, in square q, and has its middle lower than the
second, in q below the ruled line: others are flaws of the ink."""

INNER_SPACE_RANGE_Q = _LIMITS.span("inner_space_range_q")
"""Rows in q below the ruled line between which the inner space has its middle."""

BISECTION_STEPS = _LIMITS.whole("bisection_steps")
"""Halvings of the range in which the width lies: to a hundredth of a q."""

MAX_OPENING_Q = _LIMITS.number("max_opening_q")
"""Wider openings are measured as this wide, in q."""


def opening_width(ink: LetterInk) -> list[Length]:
    """Width of the way from the inner space to the outside, q; 0 for a letter closed all round."""
    if ink.letter not in RING_LETTERS:
        found = _limb_gap(
            ink, *(_drop_and_frame(ink) if ink.letter in DROP_LETTERS else _nose_and_base(ink))
        )
        shut = _enclosed_space(ink) if ink.letter in DROP_LETTERS else None
        return [Length("opening", "ring_closed", 0.0, shut, shut)] if shut is not None else found
    defect = "ring_open"
    depth, centre = _distances_to_ink(ink)
    if centre is None:
        return []
    narrow, wide = 0.0, min(float(depth[centre]), MAX_OPENING_Q / 2 * ink.scale)
    at = np.array([centre[1] + 0.5, centre[0] + 0.5])
    if not _leads_out(depth, centre, 0.5):
        return [Length("opening", defect, 0.0, at, at)]
    for _ in range(BISECTION_STEPS):
        middle = (narrow + wide) / 2
        narrow, wide = (middle, wide) if _leads_out(depth, centre, middle) else (narrow, middle)
    start, end = _opening_ruler(ink, depth, centre, narrow, wide)
    size = float(np.hypot(*(end - start))) / ink.scale
    return [Length("opening", defect, size, start, end, shows_skin(ink.dark, start, end))]


def _drop_and_frame(ink: LetterInk) -> tuple[Mask, Mask]:
    """Masks of the drop of pe and of the frame, which it touches only at its joint."""
    low = _ink_below(ink, DROP_JOINT_BOTTOM_Q)
    frame = low & (np.maximum(ink.part_mask("roof"), ink.part_mask("leg")) > MIN_LIMB_P)
    return low & (ink.part_mask("head") > MIN_LIMB_P), frame


def _enclosed_space(ink: LetterInk) -> Floats | None:
    """Middle (2,) of a space that ink encloses all round, px; None without one."""
    bare = np.pad((ink.own_dark <= MAX_SKIN_DARKNESS).astype(np.uint8), 1, constant_values=1)
    count, _, stats, centres = cv2.connectedComponentsWithStats(bare, connectivity=4)
    under = ink.row(HOLE_MIDDLE_TOP_Q) + 1
    for k in range(2, count):
        if (
            stats[k, cv2.CC_STAT_AREA] > MIN_HOLE_AREA_SQUARE_Q * ink.scale**2
            and centres[k, 1] > under
        ):
            return np.asarray(centres[k]) - 0.5
    return None


def _nose_and_base(ink: LetterInk) -> tuple[Mask, Mask]:
    """The foot of mem's nose and its base with the wall; both the same where they are joined."""
    _, labels, stats, centres = cv2.connectedComponentsWithStats(
        _ink_below(ink, NOSE_JOINT_BOTTOM_Q)
    )
    large = np.flatnonzero(stats[1:, cv2.CC_STAT_AREA] > MIN_LIMB_AREA_SQUARE_Q * ink.scale**2) + 1
    if not len(large):
        return np.zeros_like(ink.own_mask), np.zeros_like(ink.own_mask)
    left, right = (large[pick(centres[large, 0])] for pick in (np.argmin, np.argmax))
    return (labels == left).astype(np.uint8), (labels == right).astype(np.uint8)


def _ink_below(ink: LetterInk, q: float) -> Mask:
    low = np.zeros_like(ink.own_mask)
    low[ink.row(q) :] = ink.own_mask[ink.row(q) :]
    return low


def _limb_gap(ink: LetterInk, one: Mask, other: Mask) -> list[Length]:
    """The gap between two parts of the letter, 0 where they meet."""
    if min(int(one.sum()), int(other.sum())) < MIN_LIMB_AREA_SQUARE_Q * ink.scale**2:
        return []
    near, far = nearest_pixels(one, other)
    if np.hypot(*(far - near)) < MAX_CONTACT_PX:
        return [Length("opening", "ring_closed", 0.0, near, far)]
    return [gap_between(ink, "opening", "ring_closed", near, far)]


def _distances_to_ink(ink: LetterInk) -> tuple[Floats, tuple[int, int] | None]:
    """Distance of each pixel of skin to the ink, padded by skin, and the innermost pixel."""
    framed = np.pad(ink.own_mask, 2)
    depth = cv2.distanceTransform(1 - framed, cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    rows = slice(ink.row(INNER_SPACE_RANGE_Q[0]) + 2, ink.row(INNER_SPACE_RANGE_Q[1]) + 2)
    # Skin is inside where ink lies to its left and right and above it.
    inner = np.zeros(depth.shape, np.bool_)
    ways = (np.maximum.accumulate(framed, axis=1), np.maximum.accumulate(framed, axis=0))
    right = np.maximum.accumulate(framed[:, ::-1], axis=1)[:, ::-1]
    inner[rows] = ((ways[0] & ways[1] & right) > 0)[rows]
    inside = np.where(inner, depth, 0.0)
    k = int(inside.argmax())
    centre = (k // depth.shape[1], k % depth.shape[1])
    return np.asarray(depth, np.float64), centre if inside[centre] > 1.0 else None


def _leads_out(depth: Floats, centre: tuple[int, int], radius: float) -> bool:
    """Whether a disc of this radius in px comes from the centre to the patch's corner."""
    free: Mask = (depth > radius).astype(np.uint8)
    _, labels = cv2.connectedComponents(free, connectivity=4)
    return bool(labels[centre] == labels[0, 0] and labels[centre] > 0)


def _opening_ruler(
    ink: LetterInk, depth: Floats, centre: tuple[int, int], narrow: float, wide: float
) -> tuple[Floats, Floats]:
    """Ends (2,) of the ruler across the narrowest place of the opening."""
    closed = (depth > wide).astype(np.uint8)
    _, labels = cv2.connectedComponents(closed, connectivity=4)
    inside = labels == labels[centre]
    reach = np.ones((3, 3), np.uint8)
    band = (depth > narrow) & ~inside
    grown = inside.astype(np.uint8)
    # The place at which inner and outer space first meet when the disc shrinks.
    outside = ((labels > 0) & ~inside).astype(np.uint8)
    for _ in range(max(depth.shape)):
        fresh = cv2.dilate(grown, reach) & band.astype(np.uint8) & (1 - grown)
        meets = fresh & cv2.dilate(outside, reach)
        if meets.any() or not fresh.any():
            break
        grown |= fresh
    rows, columns = np.nonzero(meets if meets.any() else band)
    k = int(depth[rows, columns].argmin())
    place = np.array([columns[k] + 0.5 - 2, rows[k] + 0.5 - 2])
    return _shortest_gap_through(ink, place)


def _shortest_gap_through(ink: LetterInk, place: Floats) -> tuple[Floats, Floats]:
    """The shortest gap through a place (2,), between ink on either side of it."""
    rows, columns = np.nonzero(ink.own_mask)
    away = np.stack([columns + 0.5, rows + 0.5], axis=1) - place
    length = np.hypot(away[:, 0], away[:, 1])
    first = int(length.argmin())
    unit = away[first] / max(float(length[first]), 1e-9)
    facing = away @ unit < MAX_FACING_COSINE * length
    if not facing.any():
        return gap_edges(ink.dark, place + away[first], place - away[first])
    second = int(np.where(facing, length, np.inf).argmin())
    return gap_edges(ink.dark, place + away[first], place + away[second])

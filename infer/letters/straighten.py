"""A picture on which the writing lies askew is made straight before its letters are read.

The ink shows the slope of the lines, and whether they converge (`image/upright`); the locator must
then find sure and level letters on the straight picture, or the picture stays as it is. A slope of
a few degrees needs none of this. Of a picture taken at a slant the letters themselves give the
perspective once more: their lines, and their heights, which are equal on the page.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeGuard

import numpy as np

from crownlet.datasets.files.images import Gray, PageError
from crownlet.infer.image.perspective import Straightening, rotation
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
from crownlet.infer.letters.refusal import why_blank, why_refused
from crownlet.infer.letters.scale import (
    MIN_LETTERS,
    SURE_PROBABILITY,
    LetterSize,
    estimate_size,
    is_blank,
    stroke_width,
)
from crownlet.infer.letters.slant import (
    DEFAULT_BODY_PX,
    MIN_SQUARENESS_GAIN,
    facing_views,
    line_axis,
    rays_of,
    view_by_letters,
)
from crownlet.infer.limits import limits_of
from crownlet.infer.networks import Networks

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

MAX_GROWTH = _LIMITS.number("max_growth")
"""Growth of the letters over a window, as a logarithm, up to which they are of one size: 0.14 and
less on pages by eleven old hands and eight drawn ones, 0.18 and more where some of them are seen at
a slant of 20 degrees or more."""

MIN_PROBABILITY = _LIMITS.number("min_probability")
"""Mean probability of the letters from which their lines may show the perspective."""

PLAIN_PROBABILITY = _LIMITS.number("plain_probability")
"""Mean probability of the letters at which no other way to straighten is tried."""

MAX_SIDE_PX = 32_766
"""OpenCV warps no picture with a longer side."""

MAX_REFINEMENTS = _LIMITS.whole("max_refinements")
"""How often the perspective is taken again from letters."""

MIN_GAIN_OF_BOWED = _LIMITS.number("min_gain_of_bowed")
"""Gain in the mean probability of letters by which a page whose letters are sure as given, and of
one size, is rotated: 0.02 to 0.03 where lines bow, 0.1 where they are tilted by 15 degrees."""

TRIAL_TILTS_DEGREES = _LIMITS.numbers("trial_tilts_degrees")
"""Tilts at which letters are looked for where the ink shows none: to the locator letters that lean
by half the step between them are letters."""

MAX_PROBABILITY_FOR_TRIALS = _LIMITS.number("max_probability_for_trials")
"""Mean probability of the letters as given from which no tilt is tried: letters that are blurred or
dark have more, and lean no less for it."""

MAX_OTHER_DIRECTIONS = _LIMITS.whole("max_other_directions")
"""Directions beside the plainest that are looked at where letters are not sure and level."""


@dataclass(frozen=True)
class StraightPage:
    """A picture and its flattened form, straight but for quarter turns, and its letters' size."""

    gray: Gray
    flat: Gray
    size: LetterSize
    straightened: Straightening | None
    """None where the picture is as given."""

    @property
    def slant_degrees(self) -> float:
        """The slant that was undone."""
        return self.straightened.slant_degrees if self.straightened else 0.0

    @property
    def is_straight(self) -> bool:
        """Whether its letters are sure and level."""
        level = abs(np.rad2deg(np.arctan(self.size.slope))) < MAX_REMAINING_SLOPE_DEGREES
        return bool(level and self.size.mean_p > SURE_PROBABILITY)

    @property
    def is_even(self) -> bool:
        """Whether its letters are of one size all over, as on a picture taken from in front."""
        return self.size.growth < MAX_GROWTH


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
        raise PageError(label, why_blank(gray))
    page = straighten(networks, gray, flat, threshold)
    gray, size, straightened = page.gray, page.size, page.straightened
    if not size.is_readable:
        raise PageError(label, why_refused(gray, page.flat, size))
    del flat, page  # Before the next one is made: a page may have hundreds of megabytes.
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


def straighten(networks: Networks, gray: Gray, flat: Gray, threshold: float) -> StraightPage:
    """The straight picture, or as it is where it is straight or nothing better was found.

    `gray` is the picture as given (H, W), `flat` the same flattened.
    """
    stroke = stroke_width(flat)
    slopes = ink_slopes(flat, 3.0 * stroke or DEFAULT_BODY_PX)
    if slopes is not None:
        page = _straightest(networks, gray, flat, _candidates(flat, slopes), threshold)
        if page is not None and page.is_straight:
            return page
    as_given = StraightPage(gray, flat, estimate_size(networks, flat, threshold, stroke), None)
    if as_given.is_straight:
        return as_given if as_given.is_even else _refined(networks, gray, flat, as_given, threshold)
    # Lines that bow are level in one place after any rotation, and no surer.
    bowed = as_given.size.mean_p > SURE_PROBABILITY and as_given.is_even
    least = as_given.size.mean_p + (MIN_GAIN_OF_BOWED if bowed else 0.0)
    for candidates in _other_candidates(flat, slopes, as_given.size):
        page = _straightest(networks, gray, flat, candidates, threshold)
        if page is not None and page.is_straight and page.size.mean_p > least:
            return page
    return as_given


def _straightest(
    networks: Networks,
    gray: Gray,
    flat: Gray,
    candidates: Iterator[Straightening],
    threshold: float,
) -> StraightPage | None:
    """The picture with the surest letters that the candidates give, refined by its letters."""
    best: StraightPage | None = None
    for straightened in candidates:
        page = _read_straight(networks, gray, straightened, threshold)
        best = page if best is None or _is_surer(page, best) else best
        if best is not None and best.size.mean_p > PLAIN_PROBABILITY:
            break
    return None if best is None else _refined(networks, gray, flat, best, threshold)


def _refined(
    networks: Networks, gray: Gray, flat: Gray, best: StraightPage, threshold: float
) -> StraightPage:
    """The page with its perspective by its letters, as long as that makes them surer."""
    for _ in range(MAX_REFINEMENTS):
        plain = best.size.mean_p > PLAIN_PROBABILITY and best.is_even
        if plain and not best.slant_degrees:
            break
        again = _refine(networks, gray, flat, best, threshold)
        if not _is_surer(again, best):
            break
        best = again
    return best


def _is_surer(page: StraightPage | None, other: StraightPage) -> TypeGuard[StraightPage]:
    """Whether letters are straighter, or as straight and more even, or else surer."""
    if page is None:
        return False
    mine = (page.is_straight, page.is_even, page.size.mean_p)
    return mine > (other.is_straight, other.is_even, other.size.mean_p)


def _candidates(
    flat: Gray, slopes: InkSlopes, where: Gray | None = None
) -> Iterator[Straightening]:
    """What may make the picture straight, likeliest first.

    `where` (h, w) covers the page and is 0 where no writing is looked for.
    """
    extent = (flat.shape[1], flat.shape[0])
    degrees, steep = slopes.converging
    plainer = slopes.converging_contrast + 1 > MIN_CONVERGING_RATIO * (slopes.contrast + 1)
    if plainer and slopes.converging_contrast > MIN_CONTRAST:
        fan = np.percentile(slopes_at(rays_of(slopes.ink, flat), degrees, steep), (2, 98))
        if np.ptp(fan) > MIN_FAN_DEGREES:
            yield from facing_views(flat, slopes.ink, line_axis(degrees, steep), where)
    if slopes.contrast > MIN_CONTRAST and abs(slopes.tilt) > MIN_TILT_DEGREES:
        # Before a camera that is far away lines are parallel, but letters lean.
        along = line_axis(slopes.degrees, 0.0)
        yield from facing_views(flat, slopes.ink, along, where, MIN_SQUARENESS_GAIN)
        yield rotation(slopes.tilt, extent)


def _other_candidates(
    flat: Gray, slopes: InkSlopes | None, as_given: LetterSize
) -> Iterator[Iterator[Straightening]]:
    """What else may make a picture straight whose letters are not sure and level as given."""
    for _ in range(MAX_OTHER_DIRECTIONS):
        slopes = slopes.elsewhere() if slopes is not None else None
        if slopes is not None:
            yield _candidates(flat, slopes, slopes.tiles.mask)
    extent = (flat.shape[1], flat.shape[0])
    tilt = float(np.rad2deg(np.arctan(as_given.slope)))
    if as_given.letter_count >= MIN_LETTERS and abs(tilt) > MIN_TILT_DEGREES:
        yield iter([rotation(tilt, extent)])
    if as_given.mean_p < MAX_PROBABILITY_FOR_TRIALS:
        # What the ink does not show is tried; quarter turns are left to the letters.
        yield (rotation(degrees, extent) for degrees in TRIAL_TILTS_DEGREES)


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
    straight = rotate_letters_back(
        found.take(layout.order), turn, (page.gray.shape[1], page.gray.shape[0])
    )
    given = straight if page.straightened is None else page.straightened.letters_back(straight)
    better = view_by_letters(flat, given, layout.line)
    return None if better is None else _read_straight(networks, gray, better, threshold)

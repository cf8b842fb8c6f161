"""Why a page cannot be read, or only read, in one sentence with what to do about it."""

from __future__ import annotations

import cv2
import numpy as np

from crownlet.datasets.files.images import Gray
from crownlet.infer.image.upright import grey_percentile
from crownlet.infer.letters.scale import (
    MIN_BODY_PX,
    MIN_READ_BODY_PX,
    LetterSize,
    grey_range,
    stroke_width,
)
from crownlet.infer.limits import limits_of

_LIMITS = limits_of("letters.refusal")

MIN_PLAIN_GREY_RANGE = _LIMITS.whole("min_plain_grey_range")
"""A picture whose grey levels span less than this is faint."""

MAX_EDGE_PX = _LIMITS.number("max_edge_px")
"""Edges wider than this, on a picture that cannot be read, are out of focus: sharp ones are 2 to 4
px wide in whatever size. Strokes are no measure, for blur makes one stroke of a line."""

MIN_AGREEMENT_OF_BLURRED = _LIMITS.number("min_agreement_of_blurred")
"""A picture too soft for its letters is read, and none of them is clear, where both networks agree
on this share of what is located: then five letters of six are read. On blots they agree on half."""

BLANK_TEXT = (
    "the page is blank: there is no writing on it; check that the right side was photographed, "
    "with light enough to see the ink."
)

DARK_TEXT = (
    "the picture is so dark that no writing shows: its lightest greys are {:.0f} of 255 levels; "
    "photograph or scan it again with more light."
)

MAX_DARK_GREY = _LIMITS.whole("max_dark_grey")
"""A picture of one tone whose lightest greys are darker may hold writing. On a lighter one black
ink spans more greys than `MIN_GREY_RANGE`, even where the ink is half as light as the skin."""

OVEREXPOSED_TEXT = (
    "whether thin strokes, crowns and joints are missing or only lost in the light: the picture is "
    "overexposed, its skin is burnt out and the edges of the ink with it (photograph or scan it "
    "again with less light)"
)
"""What is not examined on a picture with too much light, and what to do about it."""

SHARP_SHARE = _LIMITS.number("sharp_share")
"""A picture whose letters are worth less of their height is soft, and not only small."""

MAX_JUDGED_SLANT_DEGREES = _LIMITS.number("max_judged_slant_degrees")
"""Up to this slant lengths along and across the lines differ by less than 3.5%, and letters are
judged as those of a picture taken from straight above. A photograph of parchment that is not flat,
rotated by 6 to 25 degrees, seems to be taken at up to 10."""

SLANT_TEXT = (
    "edges of columns, distances of lines, and whether anything here is more than a place to "
    "review: the picture was taken at a slant (take it from straight above)"
)
"""What is not examined on a picture that was taken at a slant, and what to do about it."""

SLIGHT_SLANT_TEXT = (
    "edges of columns and distances of lines: the picture was taken at a slight slant, or the "
    "parchment is not flat (take it from straight above)"
)
"""The same where the slant leaves the letters to be judged."""

MIN_PLACES_BESIDE = _LIMITS.whole("min_places_beside")
"""Fewer places are specks, of which nothing needs to be known."""

BESIDE_TEXT = (
    "{} places beside the writing that look a little like letters, as a table, a ruler or print "
    "does: they were left out (photograph the parchment alone)"
)

SHOW_THROUGH_TEXT = (
    "{} places so much paler than the writing that they are taken for the other side, showing "
    "through: they were left out"
)

NO_LETTERS = "no letters of the square script were found on it"

OTHER_SCRIPT = (
    "it may be another script or another subject; if it is square script, photograph it from "
    f"straight above, sharp and with letters at least {MIN_BODY_PX} px high"
)


def why_blank(gray: Gray) -> str:
    """Why a picture (H, W) on which no ink is seen cannot be read."""
    lightest = grey_percentile(np.ascontiguousarray(gray[::4, ::4]), 99.9)
    return DARK_TEXT.format(lightest) if lightest < MAX_DARK_GREY else BLANK_TEXT


def why_refused(gray: Gray, flat: Gray, size: LetterSize) -> str:
    """Why a page with letters of this size, that `is_readable` denies, cannot be read.

    `gray` is the picture (H, W), `flat` the same flattened.
    """
    if not size.is_sure:
        return f"{NO_LETTERS}: {_poor_picture(gray, flat) or OTHER_SCRIPT}."
    return (
        f"letters too small ({size.body_px:.0f} px; at least {MIN_READ_BODY_PX} px needed to "
        f"read them and {MIN_BODY_PX} px to examine them): scan or photograph it at "
        f"{_times_the_resolution(size.body_px):g} times the resolution."
    )


def why_blurred(edge_px: float) -> str:
    """Why a page is refused whose edges, of this width, leave too little of its letters."""
    return f"{NO_LETTERS}: {_blur_sentence(edge_px)}."


def why_not_square(gray: Gray, flat: Gray, agreement: float | None = None) -> str:
    """Why a page is refused on which letters seem to be found that are none.

    `agreement` is that of the two networks on what seemed to be letters.
    """
    cause = _poor_picture(gray, flat)
    if not cause:
        seen = "what looks like writing is none"
        if agreement is not None:
            seen = f"the two networks agree on only {agreement:.0%} of what looks like letters"
        cause = f"{seen}; {OTHER_SCRIPT}"
    return f"{NO_LETTERS}: {cause}."


def is_too_slanted(degrees: float) -> bool:
    """Whether a picture taken at this slant gives no more than reviews."""
    return degrees > MAX_JUDGED_SLANT_DEGREES


def slant_sentences(degrees: float) -> tuple[str, ...]:
    """What is not examined on a picture taken at this slant, 0 for none."""
    if not degrees:
        return ()
    return (SLANT_TEXT,) if is_too_slanted(degrees) else (SLIGHT_SLANT_TEXT,)


def page_sentences(slant_degrees: float, strays: int, show_through: int = 0) -> tuple[str, ...]:
    """What is not examined on a picture taken like this, with so many places that were left out
    beside the writing, and as showing through."""
    left_out = ((BESIDE_TEXT, strays), (SHOW_THROUGH_TEXT, show_through))
    return slant_sentences(slant_degrees) + tuple(
        text.format(count) for text, count in left_out if count >= MIN_PLACES_BESIDE
    )


def only_read_sentence(body: float, resolved: float) -> str:
    """What is not examined on a page of letters `body` px high, and what to do about it.

    `resolved` is the height, px, that the edges of the picture are worth.
    """
    if resolved < SHARP_SHARE * body:
        return (
            "defects of letters, gaps and crowns: the picture is out of focus, shaken or enlarged, "
            f"its letters are no finer than letters of {resolved:.0f} px, and at least "
            f"{MIN_BODY_PX} px are needed; the page was only read (photograph it again, sharp)"
        )
    body = min(body, resolved)
    return (
        f"defects of letters, gaps and crowns: letters of at least {MIN_BODY_PX} px needed, here "
        f"{body:.0f}; the page was only read (scan it at {_times_the_resolution(body):g} times the "
        "resolution)"
    )


def _poor_picture(gray: Gray, flat: Gray) -> str:
    """What is plainly wrong with the picture and what to do about it; "" where nothing is."""
    span, stroke = grey_range(gray), stroke_width(flat)
    if span < MIN_PLAIN_GREY_RANGE:
        return (
            f"the picture is faint, its greys span {span:.0f} of 255 levels; photograph or scan it "
            "with more light and contrast"
        )
    if not stroke:
        return (
            "it holds no strokes of a pen at least 3 px wide; if there is writing, scan or "
            f"photograph it so that letters are at least {MIN_BODY_PX} px high"
        )
    edge = edge_width(flat)
    if edge > MAX_EDGE_PX:
        return _blur_sentence(edge)
    return ""


def _blur_sentence(edge_px: float) -> str:
    return (
        f"the picture is out of focus or shaken, its edges are {edge_px:.0f} px wide, sharp ones "
        "2 to 4; photograph it again, sharp"
    )


def edge_width(flat: Gray) -> float:
    """Width in px of the sharper edges of a flattened page: the rise of a stroke over its slope."""
    across = cv2.Sobel(flat, cv2.CV_32F, 1, 0, scale=1 / 8)
    down = cv2.Sobel(flat, cv2.CV_32F, 0, 1, scale=1 / 8)
    slope = float(np.percentile(np.hypot(across, down), 99))
    dark, light = np.percentile(flat[::2, ::2], (1, 60))
    return float((light - dark) / max(slope, 1e-6))


def _times_the_resolution(body: float) -> float:
    """By how much to raise the resolution of letters `body` px high, in halves."""
    return float(np.ceil(2 * MIN_BODY_PX / body) / 2)

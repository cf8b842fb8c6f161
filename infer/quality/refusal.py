"""Why a page cannot be read, or only read, in one sentence with what to do about it."""

from __future__ import annotations

import cv2
import numpy as np

from crownlet.datasets.files.images import Gray
from crownlet.infer.image.perspective import Straightening
from crownlet.infer.letters.scale import (
    MIN_BODY_PX,
    MIN_READ_BODY_PX,
    SURE_PROBABILITY,
    LetterSize,
    ink_share,
    stroke_width,
)

MIN_MEASURED_BODY_PX = 16.0
"""Measured body height below which a page is only read; 17 px is promised, this its tolerance."""

MIN_MEASURED_READ_BODY_PX = 9.0
"""Measured body height below which a page is refused; 10 px is promised, this is its tolerance."""

MIN_INK_SHARE = 2e-4
"""A page with a smaller share of ink is blank."""

MIN_GREY_RANGE = 24
"""A picture whose grey levels span less than this is one flat tone."""

MIN_PLAIN_GREY_RANGE = 60
"""A picture whose grey levels span less than this is faint."""

MAX_EDGE_PX = 7.0
"""Edges wider than this, on a picture that cannot be read, are out of focus: sharp ones are 2 to 4
px wide in whatever size. Strokes are no measure, for blur makes one stroke of a line."""

NO_LETTERS = "no letters of the square script were found on it"

OTHER_SCRIPT = (
    "it may be another script or another subject; if it is square script, photograph it from "
    f"straight above, sharp and with letters at least {MIN_BODY_PX} px high"
)


def why_refused(gray: Gray, flat: Gray, size: LetterSize) -> str:
    """Why letters of this size cannot be read; "" where they can.

    `gray` is the picture (H, W), `flat` the same flattened.
    """
    if not size.letter_count or (
        size.body_px < MIN_MEASURED_BODY_PX and size.mean_p < SURE_PROBABILITY
    ):
        return f"{NO_LETTERS}: {_poor_picture(gray, flat) or OTHER_SCRIPT}."
    if size.body_px < MIN_MEASURED_READ_BODY_PX:
        return (
            f"letters too small ({size.body_px:.0f} px; at least {MIN_READ_BODY_PX} px needed to "
            f"read them and {MIN_BODY_PX} px to examine them): scan or photograph it at "
            f"{_times_the_resolution(size.body_px):g} times the resolution."
        )
    return ""


def is_blank(gray: Gray, flat: Gray) -> bool:
    """Whether a picture is one flat tone, or holds no ink."""
    return grey_range(gray) < MIN_GREY_RANGE or ink_share(flat) < MIN_INK_SHARE


BLANK_TEXT = (
    "the page is blank: there is no writing on it; check that the right side was photographed, "
    "with light enough to see the ink."
)


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


def only_read_sentence(body: float) -> str:
    """What is not examined on a page of letters `body` px high, and what to do about it."""
    return (
        f"defects of letters, gaps and crowns: letters of at least {MIN_BODY_PX} px needed, here "
        f"{body:.0f}; the page was only read (scan it at {_times_the_resolution(body):g} times the "
        "resolution)"
    )


def slant_sentences(straightened: Straightening | None) -> tuple[str, ...]:
    """What is not examined on a picture that was taken at a slant, and what to do about it."""
    if straightened is None or not straightened.slant_degrees:
        return ()
    return (
        "edges of columns, distances of lines, and whether anything here is more than a place to "
        "review: the picture was taken at a slant (take it from straight above)",
    )


def grey_range(gray: Gray) -> float:
    """Span of a picture's grey levels, but for the darkest and lightest thousandth."""
    low, high = np.percentile(gray[::4, ::4], (0.1, 99.9))
    return float(high - low)


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
        return (
            f"the picture is out of focus or shaken, its edges are {edge:.0f} px wide, sharp ones "
            "2 to 4; photograph it again, sharp"
        )
    return ""


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

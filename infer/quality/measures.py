"""All measures of a picture's quality, letter by letter, in one go."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from crownlet.infer.image.upright import rotate_letters_back
from crownlet.infer.limits import limits_of
from crownlet.infer.quality.blur import measure_edge_widths
from crownlet.infer.records import Bools, Floats, Located

_LIMITS = limits_of("quality.measures")

Gray = npt.NDArray[np.uint8]

SAMPLES_PER_SIDE = _LIMITS.whole("samples_per_side")
"""Rows and columns of pixels that are sampled in a letter's box."""

BOX_MARGIN_SHARE = _LIMITS.number("box_margin_share")
"""Part of its size by which a box is widened, so that skin is in it."""

INK_QUANTILE, SKIN_QUANTILE = _LIMITS.number("ink_quantile"), _LIMITS.number("skin_quantile")
"""Quantiles of a box taken as ink and as skin: ink covers a fifth to a half of a letter's box."""

BURNT_OUT_GREY, TOO_DARK_GREY = _LIMITS.whole("burnt_out_grey"), _LIMITS.whole("too_dark_grey")
"""From this grey on, and down from this one, a sensor is saturated."""

PAPER_WHITE_SHARE = _LIMITS.number("paper_white_share")
"""On white paper a letter's box is white but for its ink, of which a letter has over a tenth."""

MIN_PALE_EDGE_SHARE = _LIMITS.number("min_pale_edge_share")
"""Where the skin is burnt out: pale pixels of the ink's edges for each dark one, below which the
light has eaten the edges. A lens leaves as many of both: 1.0 to 2.2 on drawn pages whose skin is
just white, 0.8 on the demo's scans made 1.3 times as bright. At 1.5 times it is 0.4 to 0.55, and
from there on reviews and false findings grow: at 2.2 times both have doubled."""

PALE_LEVELS, DARK_LEVELS = _LIMITS.span("pale_levels"), _LIMITS.span("dark_levels")
"""Levels from ink, 0, to skin, 1, of pale and of dark pixels of an edge."""

MIN_DARK_EDGE_SHARE = _LIMITS.number("min_dark_edge_share")
"""Share of the samples from which edges are known; a scan in black and white has none."""

MAX_LETTERS_FOR_EDGES = _LIMITS.whole("max_letters_for_edges")
"""Of more letters only some are looked at: half an edge is lost on a page or on none of it."""

SHARPEST_EDGE_PX = _LIMITS.number("sharpest_edge_px")
"""An edge of this many px from 10 to 90% is as sharp as its pixels: that of the sharpest letters of
pages brought to 5 to 12 px per kulmus by averaging (`train/calibration/picture_needs.md`)."""

SHARPEST_LETTERS_SHARE = _LIMITS.number("sharpest_letters_share")
"""Share of a page's letters that are in focus even where much of it is not; by their edges it is
known how many of its pixels a picture deserves."""

MAX_SHOW_THROUGH_SHARE = _LIMITS.number("max_show_through_share")
"""Share of the usual contrast of a page below which a letter is no writing of this side. What shows
through on a drawn page has 0.05 of it; the palest of 4,400 letters by old hands have 0.22, but for
two specks of 0.11."""

MIN_RESOLVED_Q_PX = _LIMITS.number("min_resolved_q_px")
"""px per kulmus, by the edges of the ink, below which blots are found rather than letters: letters
of 10 px, the least that are read, have 3.3."""


@dataclass(frozen=True)
class PictureMeasures:
    """Quality of the picture around N letters, each (N,), and of the page."""

    q_px: Floats
    """px per kulmus, from the height of the body."""
    edge_px: Floats
    """10-90% width of the ink's edges in px; the page's usual one for a letter without."""
    contrast: Floats
    """(skin - ink) / (skin + ink) in the light of the picture as given."""
    glare: Floats
    """Share of the letter's box burnt out, white paper aside."""
    dark: Floats
    """Share of the letter's box too dark to show anything."""
    rise: Floats
    """Skin less ink in grey levels."""
    noise: float
    """Standard deviation of the page's noise in grey levels."""
    edges_burnt_out: bool = False
    """Whether so much light fell on the page that the edges of its ink are lost in it."""

    @property
    def edge_q(self) -> Floats:
        """10-90% width of the edges in kulmus."""
        return self.edge_px / np.maximum(self.q_px, 1e-6)

    @property
    def true_q_px(self) -> Floats:
        """px per kulmus that the sharpest edges of the page are worth: enlarging adds none."""
        edge = np.quantile(self.edge_px, SHARPEST_LETTERS_SHARE) if len(self.edge_px) else 0.0
        return self.q_px * min(1.0, SHARPEST_EDGE_PX / max(edge, 1e-6))

    @property
    def show_through(self) -> Bools:
        """(N,) whether a letter is so much paler than the page's that it is of the other side."""
        if not len(self.contrast):
            return np.zeros(0, np.bool_)
        usual = np.median(self.contrast)
        return np.asarray(self.contrast < MAX_SHOW_THROUGH_SHARE * usual, np.bool_)

    @property
    def is_resolved(self) -> bool:
        """Whether the page's edges are sharp enough for letters of its size to be read at all."""
        return float(np.median(self.true_q_px)) >= MIN_RESOLVED_Q_PX

    def take(self, index: npt.NDArray[np.int64] | npt.NDArray[np.bool_]) -> PictureMeasures:
        """The letters that `index` names, in its order."""
        return PictureMeasures(
            self.q_px[index], self.edge_px[index], self.contrast[index], self.glare[index],
            self.dark[index], self.rise[index], self.noise, self.edges_burnt_out,
        )  # fmt: skip

    def summary(self) -> dict[str, float]:
        """Medians and shares of the page."""
        return {
            "edge_px": float(np.median(self.edge_px)),
            "edge_q": float(np.median(self.edge_q)),
            "true_q_px": float(np.median(self.true_q_px)),
            "contrast": float(np.median(self.contrast)),
            "glare_share": float(self.glare.mean()),
            "dark_share": float(self.dark.mean()),
            "noise_levels": self.noise,
        }


@dataclass(frozen=True)
class LightMeasures:
    """Measures of N letters, each (N,)."""

    contrast: Floats
    """Michelson: (skin - ink) / (skin + ink)."""
    glare: Floats
    """Share of the box that is burnt out, 0 to 1; on white paper what exceeds nine tenths."""
    dark: Floats
    """Share of the box that is too dark to show anything."""
    rise: Floats
    """Skin less ink, in grey levels."""
    edges_burnt_out: bool = False
    """Whether the skin of the page is burnt out, and the edges of its ink with it."""


def measure_picture(gray: Gray, flat: Gray, found: Located, turn: int) -> PictureMeasures:
    """Measures of the letters `found` on the upright flattened page `flat`.

    `gray` is the picture as given (H, W), which is turned clockwise by `turn` degrees.
    """
    q = found.q
    usual = float(np.median(q)) if len(q) else 1.0
    edge = measure_edge_widths(flat, found.box, usual)
    known = np.isfinite(edge)
    edge[~known] = np.median(edge[known]) if known.any() else 2.0
    given = rotate_letters_back(found, turn, (gray.shape[1], gray.shape[0]))
    seen = measure_light(gray, given.box)
    return PictureMeasures(
        q, edge, seen.contrast, seen.glare, seen.dark, seen.rise, measure_noise(gray),
        # Edges drawn sharper than a lens makes them have hardly a pixel of either half.
        seen.edges_burnt_out and bool(np.median(edge) > SHARPEST_EDGE_PX),
    )  # fmt: skip


def measure_light(gray: Gray, box: Floats) -> LightMeasures:
    """Light of the letters in `box` (N, 4) px of the picture `gray` (H, W)."""
    if not len(box):
        return LightMeasures(np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0))
    seen = np.sort(_sample_boxes(gray, box), axis=1)
    ink = seen[:, round(INK_QUANTILE * (seen.shape[1] - 1))].astype(np.float64)
    skin = seen[:, round(SKIN_QUANTILE * (seen.shape[1] - 1))].astype(np.float64)
    white = (seen >= BURNT_OUT_GREY).mean(axis=1)
    # White paper is burnt out everywhere and loses nothing, until hardly any ink is left.
    burnt_out = bool(np.median(white) > 1.0 - PAPER_WHITE_SHARE)
    free = PAPER_WHITE_SHARE if burnt_out else 0.0
    some = slice(None, None, max(1, len(seen) // MAX_LETTERS_FOR_EDGES))
    return LightMeasures(
        contrast=(skin - ink) / np.maximum(skin + ink, 1.0),
        glare=np.clip((white - free) / (1.0 - free), 0.0, 1.0),
        dark=(seen <= TOO_DARK_GREY).mean(axis=1),
        rise=skin - ink,
        edges_burnt_out=burnt_out and _edges_are_burnt_out(seen[some], ink[some], skin[some]),
    )


def measure_noise(gray: Gray, lines: int = 300) -> float:
    """Standard deviation of the picture's noise in grey levels, from about `lines` of its rows.

    Second differences cancel slopes of light; of white noise of deviation s they have the deviation
    s * sqrt(6), and their median size is 0.6745 of it, whatever edges there are besides.
    """
    rows = gray[:: max(1, len(gray) // lines)].astype(np.int16)
    if rows.shape[1] < 3:
        return 0.0
    second = np.abs(rows[:, :-2] - 2 * rows[:, 1:-1] + rows[:, 2:])
    counts = np.bincount(second.ravel(), minlength=2).astype(np.float64)
    return float(_median_of_counts(counts) / (0.6745 * 6.0**0.5))


def _edges_are_burnt_out(seen: Gray, ink: Floats, skin: Floats) -> bool:
    """Whether edges of ink have lost their pale half: `seen` (N, S) samples of burnt-out skin and
    ink, `ink` and `skin` (N,) their levels.

    A lens spreads an edge evenly to both sides of its middle. Too much light leaves the dark half
    and makes the pale half as white as the skin.
    """
    level = (seen - ink[:, None]) / np.maximum(skin - ink, 1.0)[:, None]
    pale, dark = (
        np.count_nonzero((level > low) & (level < high)) for low, high in (PALE_LEVELS, DARK_LEVELS)
    )
    return bool(dark >= MIN_DARK_EDGE_SHARE * seen.size and pale < MIN_PALE_EDGE_SHARE * dark)


def _sample_boxes(gray: Gray, box: Floats) -> Gray:
    """(N, SIDE * SIDE) pixels on a grid over each box."""
    height, width = gray.shape
    grow = BOX_MARGIN_SHARE * (box[:, 2:] - box[:, :2])
    low, high = box[:, :2] - grow, box[:, 2:] + grow
    steps = (np.arange(SAMPLES_PER_SIDE) + 0.5) / SAMPLES_PER_SIDE
    x = low[:, :1] + (high - low)[:, :1] * steps
    y = low[:, 1:] + (high - low)[:, 1:] * steps
    columns = np.clip(x, 0, width - 1).astype(np.int64)
    rows = np.clip(y, 0, height - 1).astype(np.int64)
    index = rows[:, :, None] * width + columns[:, None, :]
    return np.asarray(np.ascontiguousarray(gray).ravel()[index].reshape(len(box), -1), np.uint8)


def _median_of_counts(counts: Floats) -> float:
    """Median of values 0, 1, 2, ... that were counted, taken as spread evenly around each."""
    total = np.cumsum(counts)
    k = int(np.searchsorted(total, total[-1] / 2))
    before = total[k - 1] if k else 0.0
    inside = (total[-1] / 2 - before) / max(counts[k], 1.0)
    # Sizes of differences are folded at 0: the bin of 0 is half as wide as the others.
    return float(0.5 * inside if k == 0 else k - 0.5 + inside)

"""Is this a letter of the square script, in a hand of the kinds the networks know?

Two signs. The surprise of the networks, in nats: their entropy over the letters, less the logarithm
of the probability that both mean the same letter ("no letter" is no letter). And the shape: a box
narrower, deeper or shallower than is usual for the letter. A wider box is a stretched letter, which
is a defect of its own, and how high crowns stand is a habit of the hand.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
import yaml

from crownlet.datasets.scribal.alphabet import ALPHABET
from crownlet.infer.limits import limits_of
from crownlet.infer.records import Assessed, Floats, Ints, Located
from crownlet.infer.thresholds import FamiliarityBounds, StretchCurve

_LIMITS = limits_of("quality.familiarity")

OWN_HAND_WEIGHT = _LIMITS.number("own_hand_weight")
"""From this many on, the page's other examples of a letter outweigh the rendered hands."""

MIN_LETTERS_FOR_HAND = _LIMITS.whole("min_letters_for_hand")
"""Half of this many letters lie in the last twentieth by chance once in 2,700 pages (binomial)."""


@dataclass(frozen=True)
class UsualSizes:
    """Sizes of the 27 letters in q, each (27,)."""

    width: Floats
    width_spread: Floats
    """Of the logarithm."""
    below: Floats
    """From the ruled line to the lowest ink."""
    below_spread: Floats


@dataclass(frozen=True)
class LetterExtent:
    """Sizes of N letters in q, as they stand upright; each (N,)."""

    width: Floats
    below: Floats


def is_unfamiliar_hand(surprised: Floats, bounds: FamiliarityBounds) -> bool:
    """Whether a page, by the surprise (N,) of its letters, is of a script or hand not known.

    Faults make single letters surprising, another hand makes all of them a little so: half must
    be more so than all but a twentieth of the letters known.
    """
    return len(surprised) >= MIN_LETTERS_FOR_HAND and float(np.median(surprised)) >= bounds.page


def unfamiliarity(surprised: Floats, odd: Floats, bounds: FamiliarityBounds) -> Floats:
    """(N,) at least 1 where a letter is unlike what is known, by its surprise or its shape."""
    return np.maximum(surprised / bounds.surprise, odd / bounds.shape)


def letter_surprise(found: Located, assessed: Assessed, odds: Floats) -> Floats:
    """(N,) surprise in nats; `odds` (N, 27) are the letters' probabilities by both networks."""
    share = odds / np.maximum(odds.sum(axis=1, keepdims=True), 1e-9)
    entropy = -(share * np.log(np.maximum(share, 1e-9))).sum(axis=1)
    agreed = (found.letters * assessed.letters[:, :27]).sum(axis=1)
    return np.asarray(entropy - np.log(np.maximum(agreed, 1e-6)), np.float64)


def shape_deviation(size: LetterExtent, letter: Ints) -> Floats:
    """(N,) largest deviation from the usual of the letter read, in spreads."""
    known = load_usual_sizes()
    narrow = -(np.log(np.maximum(size.width, 1e-3)) - np.log(known.width)[letter])
    deep = np.abs(size.below - known.below[letter]) / known.below_spread[letter]
    return np.maximum(narrow / known.width_spread[letter], deep)


def measure_extent(found: Located) -> LetterExtent:
    """Width, and depth below the ruled line, in the frame of each letter."""
    q, quarter = found.q, found.quarter_turns
    x, y = found.centre.T
    x0, y0, x1, y1 = found.box.T
    lying = quarter % 2 == 1
    below = np.choose(quarter, [y1 - y, x - x0, y - y0, x1 - x])
    return LetterExtent(np.where(lying, y1 - y0, x1 - x0) / q, below / q)


def stretch_probability(ratio: Floats, curve: StretchCurve) -> Floats:
    """(N,) probability of the defect `overstretched`."""
    z = curve.bias + curve.slope * np.log(np.maximum(ratio, 1e-6))
    return 1.0 / (1.0 + np.exp(-np.clip(z, -40.0, 40.0)))


def stretch_ratios(width: Floats, letter: Ints) -> Floats:
    """(N,) width of each letter over what is usual for it in this hand.

    `width` in q, `letter` the class of each. A hand that writes wide writes all letters wide, so
    the rendered widths are first brought to this hand's; then its own examples count.
    """
    if not len(width):
        return np.zeros(0)
    own = np.log(np.maximum(width, 1e-3))
    rendered = np.log(load_usual_sizes().width)[letter]
    expected = rendered + float(np.median(own - rendered))
    for k in np.unique(letter):
        here = letter == k
        others = int(here.sum()) - 1
        middle = float(np.median(own[here]))
        expected[here] = (OWN_HAND_WEIGHT * expected[here] + others * middle) / (
            OWN_HAND_WEIGHT + others
        )
    return np.exp(own - expected)


@cache
def load_usual_sizes() -> UsualSizes:
    """The sizes in `usual.yaml`."""
    text = (resources.files("crownlet.infer.quality") / "usual.yaml").read_bytes()
    rows = yaml.safe_load(text)["letters"]
    table = [[*rows[letter.slug]["width"], *rows[letter.slug]["below"]] for letter in ALPHABET]
    return UsualSizes(*np.array(table, np.float64).T)

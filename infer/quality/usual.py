"""How large each letter usually is, and whether one is drawn out beyond that.

`usual.yaml` holds the sizes of faultless letters by rendered hands of the calibration split;
`python -m crownlet.train.usual` measures them anew.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
import yaml

from crownlet.datasets.alphabet import ALPHABET
from crownlet.infer.records import Floats, Ints, Located

OWN = 3.0
"""The page's other examples of a letter outweigh the rendered hands from so many on."""


@dataclass(frozen=True)
class Usual:
    """Sizes of the 27 letters in q, each (27,)."""

    width: Floats
    width_spread: Floats
    """Of the logarithm."""
    below: Floats
    """From the ruled line to the lowest ink."""
    below_spread: Floats


@dataclass(frozen=True)
class Extent:
    """Sizes of N letters in q, as they stand upright; each (N,)."""

    width: Floats
    below: Floats


@dataclass(frozen=True)
class Stretch:
    """Probability that a letter is drawn out: 1 / (1 + exp(-(bias + slope * ln(ratio))))."""

    bias: float
    slope: float


@cache
def usual() -> Usual:
    """The sizes in `usual.yaml`."""
    text = (resources.files("crownlet.infer.quality") / "usual.yaml").read_bytes()
    rows = yaml.safe_load(text)["letters"]
    table = [[*rows[letter.slug]["width"], *rows[letter.slug]["below"]] for letter in ALPHABET]
    return Usual(*np.array(table, np.float64).T)


def extent(found: Located) -> Extent:
    """Width, and depth below the ruled line, by the way up of each letter."""
    q = found.body[:, 2] / 3.0
    quarter = (found.body[:, 3] / 90).round().astype(int) % 4
    x, y = found.body[:, 0], found.body[:, 1]
    x0, y0, x1, y1 = found.box.T
    lying = quarter % 2 == 1
    below = np.choose(quarter, [y1 - y, x - x0, y - y0, x1 - x])
    return Extent(np.where(lying, y1 - y0, x1 - x0) / q, below / q)


def stretch_ratios(width: Floats, letter: Ints) -> Floats:
    """(N,) width of each letter over what is usual for it in this hand.

    `width` in q, `letter` the class of each. A hand that writes wide writes all letters wide, so
    the rendered widths are first brought to this hand's; then its own examples count.
    """
    if not len(width):
        return np.zeros(0)
    own = np.log(np.maximum(width, 1e-3))
    rendered = np.log(usual().width)[letter]
    expected = rendered + float(np.median(own - rendered))
    for k in np.unique(letter):
        here = letter == k
        others = int(here.sum()) - 1
        middle = float(np.median(own[here]))
        expected[here] = (OWN * expected[here] + others * middle) / (OWN + others)
    return np.exp(own - expected)


def stretched(ratio: Floats, curve: Stretch) -> Floats:
    """(N,) probability of `overstretched`."""
    z = curve.bias + curve.slope * np.log(np.maximum(ratio, 1e-6))
    return 1.0 / (1.0 + np.exp(-np.clip(z, -40.0, 40.0)))

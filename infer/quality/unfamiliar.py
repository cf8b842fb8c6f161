"""Is this a letter of the square script, in a hand of the kinds the networks know?

Two signs. The networks' surprise, in nats: their entropy over the letters, less the logarithm of
the probability that both mean the same letter ("no letter" is none). And the shape: a box narrower,
or deeper or shallower, than boxes of the letter read; a wider box is a stretched letter and has its
own place, and how high crowns stand is a habit of the hand.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from crownlet.infer.quality.usual import Extent, usual
from crownlet.infer.records import Assessed, Floats, Ints, Located

REASON = "unfamiliar"
"""A reason to look, beside the catalogue's defects."""

FEWEST = 8
"""Half of so many letters are beyond a twentieth by chance once in 2,700 pages (binomial)."""


@dataclass(frozen=True)
class Familiar:
    """Bounds of the familiar: quantiles over faultless rendered pages, see routing.yaml."""

    surprise: float
    """Nats."""
    shape: float
    """Spreads from the usual."""
    page: float
    """Nats that half the letters of a page must reach for the whole page to be unfamiliar."""


def parse_familiar(data: Mapping[str, Any]) -> Familiar:
    """From the plain values of routing.yaml; KeyError, TypeError, ValueError for what is wrong."""
    return Familiar(*(float(data[key]) for key in ("surprise", "shape", "page")))


def surprise(found: Located, assessed: Assessed, odds: Floats) -> Floats:
    """(N,) nats; `odds` (N, 27) are the letters' probabilities by both networks."""
    share = odds / np.maximum(odds.sum(axis=1, keepdims=True), 1e-9)
    entropy = -(share * np.log(np.maximum(share, 1e-9))).sum(axis=1)
    agreed = (found.letters * assessed.letters[:, :27]).sum(axis=1)
    return np.asarray(entropy - np.log(np.maximum(agreed, 1e-6)), np.float64)


def oddness(size: Extent, letter: Ints) -> Floats:
    """(N,) largest deviation from the usual of the letter read, in spreads."""
    known = usual()
    narrow = -(np.log(np.maximum(size.width, 1e-3)) - np.log(known.width)[letter])
    deep = np.abs(size.below - known.below[letter]) / known.below_spread[letter]
    return np.maximum(narrow / known.width_spread[letter], deep)


def score(surprised: Floats, odd: Floats, bounds: Familiar) -> Floats:
    """(N,) 1 and more where a letter is unlike what is known."""
    return np.maximum(surprised / bounds.surprise, odd / bounds.shape)


def strange_page(surprised: Floats, bounds: Familiar) -> bool:
    """Whether a page, by the surprise (N,) of its letters, is of a script or hand not known.

    Faults make single letters surprising, another hand makes all of them a little so: half must
    be more so than all but a twentieth of the letters known.
    """
    return len(surprised) >= FEWEST and float(np.median(surprised)) >= bounds.page

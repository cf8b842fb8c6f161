"""Surveys with a known truth: scrolls that differ, correlated letters, a network that errs.

A scroll's own rate is drawn from a beta distribution whose mean is the rate and whose spread gives
the intra-scroll correlation (beta-binomial); the network knows a letter's truth and errs, more in
some scrolls.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from crownlet.infer.survey.estimators import LetterSample

Floats = NDArray[np.float64]


def sizes(scrolls: int, ratio: float = 1.0, middle: int = 200) -> NDArray[np.int64]:
    """Letters of each scroll, the largest `ratio` times the smallest."""
    spread = np.geomspace(ratio**-0.5, ratio**0.5, scrolls)
    return np.round(middle * spread).astype(np.int64)


def scroll_rates(
    rng: np.random.Generator, rate: float, icc: float, shape: int | tuple[int, ...]
) -> Floats:
    """Rates of scrolls; the intra-scroll correlation of their letters is `icc`."""
    strength = (1 - icc) / icc
    return rng.beta(rate * strength, (1 - rate) * strength, shape)


def letters(
    rng: np.random.Generator,
    rate: float,
    icc: float,
    of: NDArray[np.int64],
    audit: int,
    overlooks: float = 0.15,
    invents: float = 0.01,
) -> LetterSample:
    """One source's letters with the network's probabilities and `audit` of each scroll read.

    The network overlooks that share of defects everywhere, and invents some at a rate that is half
    as high in some scrolls and twice as high in others.
    """
    scroll = np.repeat(np.arange(len(of)), of)
    truth = rng.random(len(scroll)) < scroll_rates(rng, rate, icc, len(of))[scroll]
    invents_here = invents * np.exp(0.5 * rng.standard_normal(len(of)))[scroll]
    says = rng.random(len(scroll)) < np.where(truth, 1 - overlooks, invents_here)
    predicted = np.where(says, rng.beta(8, 2, len(scroll)), rng.beta(0.3, 20, len(scroll)))
    # The `audit` letters of each scroll with the smallest of random keys are read.
    order = np.lexsort((rng.random(len(scroll)), scroll))
    place = np.empty(len(scroll), dtype=np.int64)
    place[order] = np.arange(len(scroll)) - np.repeat(np.cumsum(of) - of, of)
    label = np.where(place < audit, truth.astype(np.float64), np.nan)
    return LetterSample(scroll, predicted, label, np.minimum(1.0, audit / of)[scroll])

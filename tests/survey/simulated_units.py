"""Sources with a known truth, scroll by scroll: scribes who differ, scrolls of a scribe who differ
less, letters that go wrong at the scroll's rate, and a network that errs.

Letters of a scroll are of four kinds (has the defect or not, the network says so or not), so that a
scroll is four counts and its audit a draw from them: thousands of surveys take seconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from crownlet.infer.survey.estimators import RateEstimate, lambdas_of_sums

Floats = NDArray[np.float64]

SAYS, SAYS_NOT = 0.9, 0.002
"""What the network answers where it sees the defect and where it does not."""


@dataclass(frozen=True)
class Design:
    """One source: scrolls of each scribe, and how its letters go wrong."""

    scribes: Sequence[int]
    rate: float
    icc: float = 0.05
    """Correlation of two letters of one scribe."""
    icc_scroll: float = 0.01
    """Correlation that a scroll adds to that of its scribe."""
    letters: int = 200
    audit: int | None = None
    """Letters of each scroll that are read; None for all."""
    overlooks: float = 0.15
    invents: float = 0.01


def simulate(rng: np.random.Generator, sources: Sequence[Design]) -> list[RateEstimate]:
    """The estimates of one survey, as `estimate_with_audit` makes them of its letters."""
    cells = [_draw_letters(rng, source) for source in sources]
    audits = [_draw_audit(rng, cell, source) for cell, source in zip(cells, sources, strict=True)]
    counts = [len(source.scribes) for source in sources]
    judged = np.concatenate([_judged(*pair) for pair in zip(cells, audits, strict=True)], axis=1)
    every = np.concatenate([_every(cell) for cell in cells], axis=1)
    lambdas = np.split(lambdas_of_sums(judged, every), np.cumsum(counts)[:-1])
    return [_estimate(*parts) for parts in zip(cells, audits, lambdas, strict=True)]


def unit_rates(rng: np.random.Generator, *sources: Design) -> list[Floats]:
    """The rates of the units of each source."""
    return [found.unit_rates for found in simulate(rng, sources)]


def _beta(rng: np.random.Generator, mean: Floats, icc: float) -> Floats:
    if icc == 0:
        return mean
    strength = (1 - icc) / icc
    return rng.beta(np.maximum(mean * strength, 1e-12), np.maximum((1 - mean) * strength, 1e-12))


def _draw_letters(rng: np.random.Generator, source: Design) -> Floats:
    """Letters of each kind, (4, scrolls of a scribe at most, scribes); 0 beyond a scribe's last:
    defects seen and overlooked, others marked and not."""
    number = np.arange(max(source.scribes))[:, None] < np.array(source.scribes)
    scribe = _beta(rng, np.full(len(source.scribes), source.rate), source.icc)
    scroll = _beta(rng, np.broadcast_to(scribe, number.shape).copy(), source.icc_scroll)
    have = rng.binomial(source.letters * number, scroll)
    seen = rng.binomial(have, 1 - source.overlooks)
    invents = source.invents * np.exp(0.5 * rng.standard_normal(number.shape))
    marked = rng.binomial(source.letters * number - have, np.minimum(invents, 1))
    clean = source.letters * number - have - marked
    return np.stack([seen, have - seen, marked, clean]).astype(np.float64)


def _draw_audit(rng: np.random.Generator, cells: Floats, source: Design) -> Floats:
    """Of each kind, how many were read in each scroll: a draw without replacement."""
    if source.audit is None:
        return cells
    left = np.minimum(source.audit, cells.sum(axis=0))
    remaining = cells.sum(axis=0)
    read = []
    for cell in cells:
        drawn = rng.hypergeometric(
            cell.astype(int), (remaining - cell).astype(int), left.astype(int)
        )
        read.append(drawn)
        left, remaining = left - drawn, remaining - cell
    return np.stack(read).astype(np.float64)


_ANSWERS = np.array([SAYS, SAYS_NOT, SAYS, SAYS_NOT])
_LABELS = np.array([1.0, 1, 0, 0])


def _weights(cells: Floats, audit: Floats) -> Floats:
    """Letters that one audited letter stands for, (scrolls, scribes)."""
    read = audit.sum(axis=0)
    return np.where(read > 0, cells.sum(axis=0) / np.maximum(read, 1), 0.0)


def _judged(cells: Floats, audit: Floats) -> Floats:
    weighted = (audit * _weights(cells, audit)).sum(axis=1)
    columns = np.stack([np.ones(4), _LABELS, _ANSWERS, _LABELS * _ANSWERS])
    return np.asarray(columns @ weighted)


def _every(cells: Floats) -> Floats:
    columns = np.stack([np.ones(4), _ANSWERS, _ANSWERS**2])
    return np.asarray(columns @ cells.sum(axis=1))


def _estimate(cells: Floats, audit: Floats, lambdas: Floats) -> RateEstimate:
    letters = cells.sum(axis=(0, 1))
    if np.array_equal(cells, audit):
        rates = cells[:2].sum(axis=(0, 1)) / letters
        return RateEstimate(rates, letters, np.zeros_like(letters), int(letters.sum()))
    weights = _weights(cells, audit)
    errors = _LABELS[:, None] - lambdas * _ANSWERS[:, None]
    by_scroll = (audit * errors[:, None]).sum(axis=0) * weights
    rates = lambdas * (cells * _ANSWERS[:, None, None]).sum(axis=(0, 1)) / letters
    centre = by_scroll.sum() / letters.sum()
    left_out = 1 - 1 / np.maximum(weights, 1)
    noise = (audit * (errors[:, None] - centre) ** 2).sum(axis=0) * weights**2 * left_out
    return RateEstimate(
        rates + by_scroll.sum(axis=0) / letters,
        letters,
        noise.sum(axis=0) / letters**2,
        int(audit.sum()),
    )

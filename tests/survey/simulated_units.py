"""Sources with a known truth, scroll by scroll: scribes who differ, scrolls of a scribe who differ
less, letters that go wrong at the scroll's rate, and a network that errs.

Letters of a scroll are of four kinds (has the defect or not, the network says so or not), so that a
scroll is four counts and its audit a draw from them: thousands of surveys take seconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from crownlet.infer.run.survey_state import AuditDraw
from crownlet.infer.survey.audit import compute_chances
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
    draw: AuditDraw = "even"
    overlooks: float = 0.15
    invents: float = 0.01


def simulate(rng: np.random.Generator, sources: Sequence[Design]) -> list[RateEstimate]:
    """The estimates of one survey, as `estimate_with_audit` makes them of its letters."""
    cells = [_draw_letters(rng, source) for source in sources]
    audits = [_read(rng, cell, source) for cell, source in zip(cells, sources, strict=True)]
    counts = [len(source.scribes) for source in sources]
    judged = np.concatenate([_judged(*audit) for audit in audits], axis=1)
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


def _read(rng: np.random.Generator, cells: Floats, source: Design) -> tuple[Floats, Floats]:
    """Of each kind, how many letters of a scroll were read, and for how many letters each counts;
    both as `cells`."""
    if source.audit is None:
        return cells, np.ones_like(cells)
    if source.draw == "doubt":
        return _read_by_doubt(rng, cells, source.audit)
    left = np.minimum(source.audit, cells.sum(axis=0))
    remaining = cells.sum(axis=0)
    read = []
    for cell in cells:
        drawn = rng.hypergeometric(
            cell.astype(int), (remaining - cell).astype(int), left.astype(int)
        )
        read.append(drawn)
        left, remaining = left - drawn, remaining - cell
    audit = np.stack(read).astype(np.float64)
    weight = cells.sum(axis=0) / np.maximum(audit.sum(axis=0), 1)
    return audit, np.broadcast_to(np.maximum(weight, 1.0), cells.shape)


def _read_by_doubt(rng: np.random.Generator, cells: Floats, audit: int) -> tuple[Floats, Floats]:
    """Letters drawn as `audit.draw_audit` does, one by one."""
    read, weight = np.zeros_like(cells), np.ones_like(cells)
    for place in zip(*np.nonzero(cells.sum(axis=0)), strict=True):
        own = cells[(slice(None), *place)].astype(int)
        kind = np.repeat(np.arange(4), own)
        chance = _chance_of_kinds(int(own[0] + own[2]), int(own[1] + own[3]), audit)
        number = (rng.permutation(len(kind)) + rng.random(len(kind))) / len(kind)
        read[(slice(None), *place)] = np.bincount(kind[number < chance[kind]], minlength=4)
        weight[(slice(None), *place)] = 1 / chance
    return read, weight


@lru_cache(maxsize=4096)
def _chance_of_kinds(marked: int, others: int, audit: int) -> Floats:
    """The inclusion probability of a letter of each kind, (4,), in a scroll of so many letters."""
    chance = compute_chances(np.repeat([SAYS, SAYS_NOT], [marked, others]), audit)
    return np.array([chance[0], chance[-1], chance[0], chance[-1]])


_ANSWERS = np.array([SAYS, SAYS_NOT, SAYS, SAYS_NOT])
_LABELS = np.array([1.0, 1, 0, 0])


def _judged(audit: Floats, weight: Floats) -> Floats:
    columns = np.stack([np.ones(4), _LABELS, _ANSWERS, _LABELS * _ANSWERS])
    return np.asarray(columns @ (audit * weight).sum(axis=1))


def _every(cells: Floats) -> Floats:
    columns = np.stack([np.ones(4), _ANSWERS, _ANSWERS**2])
    return np.asarray(columns @ cells.sum(axis=1))


def _estimate(cells: Floats, read: tuple[Floats, Floats], lambdas: Floats) -> RateEstimate:
    audit, weight = read
    letters = cells.sum(axis=(0, 1))
    met = float(audit[:2].sum())
    if np.array_equal(cells, audit):
        rates = cells[:2].sum(axis=(0, 1)) / letters
        return RateEstimate(rates, letters, np.zeros_like(letters), int(letters.sum()), met)
    weighted = audit * weight
    errors = (_LABELS[:, None] - lambdas * _ANSWERS[:, None])[:, None]
    middle = float((weighted * errors).sum() / weighted.sum())
    trusted = lambdas * (cells * _ANSWERS[:, None, None]).sum(axis=(0, 1)) / letters
    noise = weighted * (weight - 1) * (errors - middle) ** 2
    return RateEstimate(
        trusted + middle + (weighted * (errors - middle)).sum(axis=(0, 1)) / letters,
        letters,
        noise.sum(axis=(0, 1)) / letters**2,
        int(audit.sum()),
        met,
        float((weighted * weight).sum() / audit.sum() / weighted.sum() ** 2),
    )

"""The hand's own form of each letter: class means moved toward the letters of this scroll.

Letters are compared in the numbers from which the assessor's last layer reads them, by their
distance to the class means, weighted by the scatter within the hand's own classes. No letter takes
part in its own score: it is left out of its class mean, and of the scatter by a rank-one downdate
(Sherman and Morrison 1950).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crownlet.infer.limits import limits_of
from crownlet.infer.networks import LETTER_CLASSES
from crownlet.infer.records import Bools, Floats, Ints

_LIMITS = limits_of("hand.forms")

PRIOR_MEAN_LETTERS = _LIMITS.number("prior_mean_letters")
"""A class mean of the training weighs as much as this number of letters of the scroll."""

PRIOR_SHARED_SHIFT_CLASSES = _LIMITS.number("prior_shared_shift_classes")
"""The shift that all classes share is held toward zero as if by this number of classes without
shift."""

PRIOR_SCATTER_LETTERS = _LIMITS.number("prior_scatter_letters")
"""The round scatter, used where letters are few, weighs as much as this number of them."""

MIN_SEPARATION = _LIMITS.number("min_separation")
"""Where the hand's means of two classes come nearer than this share of their usual distance, their
shifts are shortened: if a scribe always writes one letter as another, that must not be taken for
the form of this hand."""

SHIFT_SHRINK_FACTOR = _LIMITS.number("shift_shrink_factor")
"""Factor by which such shifts are shortened in each of at most `MAX_SHRINK_STEPS` steps."""

MAX_SHRINK_STEPS = _LIMITS.whole("max_shrink_steps")

MIN_DOWNDATE_DENOMINATOR = _LIMITS.number("min_downdate_denominator")
"""Keeps the downdate of the scatter finite for a letter far from all others."""


@dataclass(frozen=True)
class HandForms:
    """The forms of a hand, and how like them each letter is."""

    scores: Floats
    """(N, 27): the higher, the nearer to the hand's form of a class; each letter left out of its
    own."""
    counts: Ints
    """(27,) letters of each class from which its form is taken."""
    held: Bools
    """(27,) classes whose shift is shortened since it leads too near to another class."""
    separation: Floats
    """(27,) distance to the nearest other class, as a share of the usual distance of the pair,
    before any shift is shortened."""
    nearest: Ints
    """(27,) that other class."""


def fit_forms(hidden: Floats, labels: Ints, means: Floats) -> HandForms:
    """The forms of a hand from `hidden` (N, H), `labels` (N,) classes or -1, and the training's
    class `means` (27, H). ValueError if no letter is labelled."""
    rows = np.flatnonzero(labels >= 0)
    if not len(rows):
        raise ValueError("no letter is labelled")
    kinds = labels[rows]
    counts = np.bincount(kinds, minlength=LETTER_CLASSES)
    own = _class_sums(hidden[rows], kinds) / np.maximum(counts, 1)[:, None]
    whitening = _whitening_matrix(hidden[rows] - own[kinds], int((counts > 0).sum()))
    x, usual, own = hidden @ whitening, means @ whitening, own @ whitening
    residual = x[rows] - own[kinds]
    weight = counts / (counts + PRIOR_MEAN_LETTERS)
    shared = (weight[:, None] * (own - usual)).sum(axis=0)
    shared /= weight.sum() + PRIOR_SHARED_SHIFT_CLASSES
    base = usual + shared
    shift = weight[:, None] * (own - base)
    usual_distances = _distances(usual)
    factors = _shift_factors(base, shift, usual_distances)
    moved = base + factors[:, None] * shift
    scores = -0.5 * (
        (x * x).sum(axis=1)[:, None] - 2 * x @ moved.T + (moved * moved).sum(axis=1)[None, :]
    )
    scores[rows] = _left_out(x[rows], kinds, residual, counts, base, factors, own, moved)
    share = _distances(base + shift) / usual_distances
    np.fill_diagonal(share, np.inf)
    spread = -2.0 * scores[rows, kinds].mean()
    return HandForms(
        scores / max(spread, 1e-9), counts, factors < 1.0, share.min(axis=1), share.argmin(axis=1)
    )


def _class_sums(x: Floats, kinds: Ints) -> Floats:
    chosen = np.zeros((LETTER_CLASSES, len(x)))
    chosen[kinds, np.arange(len(x))] = 1.0
    return chosen @ x


def _whitening_matrix(residual: Floats, classes: int) -> Floats:
    """(H, H) matrix that makes the scatter within classes, held toward a round one, unity."""
    count, size = residual.shape
    scatter = residual.T @ residual
    each = max(float(np.trace(scatter)) / (size * max(count - classes, 1)), 1e-9)
    scatter[np.diag_indices(size)] += PRIOR_SCATTER_LETTERS * each
    lower = np.linalg.cholesky(scatter / (PRIOR_SCATTER_LETTERS + count))
    return np.asarray(np.linalg.inv(lower).T)


def _distances(points: Floats) -> Floats:
    squares = (points * points).sum(axis=1)
    squared = squares[:, None] + squares[None, :] - 2 * points @ points.T
    distances = np.sqrt(np.maximum(squared, 0.0))
    np.fill_diagonal(distances, 1.0)
    return np.asarray(distances)


def _shift_factors(base: Floats, shift: Floats, usual_distances: Floats) -> Floats:
    """(27,) factor of each class's shift with which all pairs of classes stay apart."""
    factors = np.ones(LETTER_CLASSES)
    near = np.zeros(LETTER_CLASSES, bool)
    for _ in range(MAX_SHRINK_STEPS):
        share = _distances(base + factors[:, None] * shift) / usual_distances
        np.fill_diagonal(share, np.inf)
        near = share.min(axis=1) < MIN_SEPARATION
        if not near.any():
            return factors
        factors[near] *= SHIFT_SHRINK_FACTOR
    factors[near] = 0.0
    return factors


def _left_out(
    x: Floats, kinds: Ints, residual: Floats, counts: Ints, base: Floats, factors: Floats,
    own: Floats, moved: Floats,
) -> Floats:  # fmt: skip
    """(L, 27) scores of the labelled letters, each as if it were not on the page."""
    rows, count = np.arange(len(x)), counts[kinds]
    others = count[:, None] * own[kinds] - x
    without = PRIOR_MEAN_LETTERS * base[kinds] + others
    without /= (PRIOR_MEAN_LETTERS + count - 1)[:, None]
    form = base[kinds] + factors[kinds][:, None] * (without - base[kinds])
    squared = (x * x).sum(axis=1)[:, None] - 2 * x @ moved.T + (moved * moved).sum(axis=1)[None, :]
    squared[rows, kinds] = ((x - form) ** 2).sum(axis=1)
    along = (x * residual).sum(axis=1)[:, None] - residual @ moved.T
    along[rows, kinds] = ((x - form) * residual).sum(axis=1)
    share = count / np.maximum(count - 1, 1) / (PRIOR_SCATTER_LETTERS + len(x))
    left = np.maximum(1.0 - share * (residual * residual).sum(axis=1), MIN_DOWNDATE_DENOMINATOR)
    return np.asarray(-0.5 * (squared + (share / left)[:, None] * along**2))

"""How much a scroll's own forms weigh beside the networks: two weights fitted on its own letters.

A hand that the networks know keeps their reading; for one they do not know its own forms decide.
The weights maximise the likelihood of the labels, each letter being left out of its own forms. A
share of the labels is taken to be wrong, so that one exchanged letter does not make all others
doubtful.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crownlet.infer.limits import limits_of
from crownlet.infer.records import Floats, Ints

_LIMITS = limits_of("hand.weights")

WRONG_LABEL_SHARE = _LIMITS.number("wrong_label_share")
"""Share of the labels that may be wrong, by an exchanged letter or a shifted alignment."""

PRIOR_STRENGTH = _LIMITS.number("prior_strength")
"""Precision of the prior that holds the weights toward the networks alone."""

MAX_NEWTON_STEPS = _LIMITS.whole("max_newton_steps")

MIN_STEP_SCALE = 1e-3
"""Scale of a Newton step below which the line search ends."""

MIN_LOSS_DECREASE_NATS = 1e-6
"""Decrease per letter below which the fit has converged."""

MAX_EXPONENT = 500.0
"""Keeps exponentials finite in double precision."""


@dataclass(frozen=True)
class MixingWeights:
    """Weights of the networks' logarithmic odds and of the hand's scores."""

    networks: float
    hand: float
    gain: float
    """Mean gain of the labels' log likelihood over the networks alone, nats per letter."""


def fit_weights(log_odds: Floats, scores: Floats, labels: Ints) -> MixingWeights:
    """Weights by Newton's method; `log_odds` and `scores` (L, 27), `labels` (L,) classes."""
    rows, classes = np.arange(len(labels)), log_odds.shape[1]
    # Relative to the label's own value: what remains is the lead of the other classes.
    lead = np.stack([log_odds, scores], axis=-1)
    lead -= lead[rows, labels][:, None]
    networks_alone = np.array([1.0, 0.0])

    def loss(weights: Floats) -> float:
        right = 1.0 / np.exp(np.minimum(lead @ weights, MAX_EXPONENT)).sum(axis=1)
        likelihood = np.log((1 - WRONG_LABEL_SHARE) * right + WRONG_LABEL_SHARE / classes)
        prior = PRIOR_STRENGTH / 2 * ((weights - networks_alone) ** 2).sum()
        return float(prior - likelihood.sum())

    weights, current = networks_alone.copy(), loss(networks_alone)
    start = current
    for _ in range(MAX_NEWTON_STEPS):
        p = softmax(lead @ weights)
        right = (1 - WRONG_LABEL_SHARE) * p[rows, labels]
        trust = right / (right + WRONG_LABEL_SHARE / classes)
        mean = np.einsum("nk,nkf->nf", p, lead)
        gradient = trust @ mean + PRIOR_STRENGTH * (weights - networks_alone)
        trusted = trust[:, None] * p
        hessian = np.stack([
            [float((trusted * lead[..., a] * lead[..., b]).sum()) for b in (0, 1)] for a in (0, 1)
        ])  # fmt: skip
        hessian += PRIOR_STRENGTH * np.eye(2) - (trust[:, None] * mean).T @ mean
        step, scale = np.linalg.solve(hessian, gradient), 1.0
        while scale > MIN_STEP_SCALE:
            tried = np.maximum(weights - scale * step, 0.0)
            value = loss(tried)
            if value < current:
                break
            scale /= 2
        else:
            break
        converged = current - value < MIN_LOSS_DECREASE_NATS * len(labels)
        weights, current = tried, value
        if converged:
            break
    gain = (start - current) / max(len(labels), 1)
    # The forms may soften the networks' odds, never sharpen them.
    return MixingWeights(min(float(weights[0]), 1.0), float(weights[1]), gain)


def likelihood_gain(
    weights: MixingWeights, log_odds: Floats, scores: Floats, labels: Ints
) -> float:
    """Mean gain of the labels' log likelihood over the networks alone, nats per letter, with
    weights fitted to more letters than these; arguments as in `fit_weights`."""
    rows, classes = np.arange(len(labels)), log_odds.shape[1]
    mixed = softmax(weights.networks * log_odds + weights.hand * scores)[rows, labels]
    alone = softmax(log_odds)[rows, labels]
    floor = WRONG_LABEL_SHARE / classes
    ratio = ((1 - WRONG_LABEL_SHARE) * mixed + floor) / ((1 - WRONG_LABEL_SHARE) * alone + floor)
    return float(np.log(ratio).mean())


def softmax(logits: Floats) -> Floats:
    """Probabilities (N, K) of logits (N, K)."""
    raised = np.exp(logits - logits.max(axis=1, keepdims=True))
    return np.asarray(raised / raised.sum(axis=1, keepdims=True))

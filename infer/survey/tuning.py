"""How far to trust the network: the lambda of PPI++, fitted on other scrolls than it is used on."""

from __future__ import annotations

import numpy as np

from crownlet.infer.survey.estimators import Letters
from crownlet.infer.survey.likeness import Floats


def tune(letters: Letters) -> Floats:
    """One lambda in [0, 1] for each scroll number, from the audited letters of all other scrolls.

    Lambda is the covariance of label and prediction over the variance of the prediction, with
    letters weighted by 1 / chance (Angelopoulos, Duchi & Zrnic 2023b, proposition 2, where the
    predictions of the audited letters count among all). Fitting it on the same scrolls would pull
    low rates lower. 0, the audited letters alone, where they cannot tell.
    """
    weight = letters.weight
    label = np.where(weight > 0, letters.label, 0.0)
    said = letters.predicted
    read = (weight, weight * label, weight * said, weight * label * said)
    judged = np.stack([letters.sums(part) for part in read])
    whole = np.stack([letters.sums(part) for part in (np.ones_like(said), said, said**2)])
    judged = judged.sum(axis=1, keepdims=True) - judged
    whole = whole.sum(axis=1, keepdims=True) - whole
    with np.errstate(divide="ignore", invalid="ignore"):
        covariance = judged[3] / judged[0] - judged[1] * judged[2] / judged[0] ** 2
        variance = whole[2] / whole[0] - (whole[1] / whole[0]) ** 2
        ratio = covariance / variance
    return np.clip(np.where((variance > 1e-12) & (judged[0] > 0), ratio, 0.0), 0.0, 1.0)

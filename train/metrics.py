"""Scores of one yes-or-no question, by scikit-learn."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from sklearn.metrics import roc_auc_score


def auroc(truth: npt.NDArray[np.bool_], score: npt.NDArray[np.floating]) -> float | None:
    """Area under the ROC curve; None if all answers are the same."""
    if truth.all() or not truth.any():
        return None
    return float(roc_auc_score(truth, score))

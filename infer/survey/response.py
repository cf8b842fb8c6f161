"""Questions of the audit without a label, and the assumption that stands in for them.

The assumption: on each scroll, for each defect, letters without a label are like those with one. A
label then stands for itself and its share of the others: its inclusion probability is the chance of
the draw times the share of the scroll's questions, each counted as one over its chance, that were
labelled (response homogeneity groups; Sarndal, Swensson & Wretman 1992, chapter 15). A scroll
without any label is taken to be like the others of its source. How far a rate depends on this
stands in `bounds`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ASSUMPTION = (
    "letters without an answer are like the letters of the same scroll and defect that have one"
)

MIN_LABELLED_SHARE = 0.5
"""Of a source's questions about a defect: with fewer labels none counts, and its rate is that of
the network alone. Common practice, no source: below it most of a rate would be the assumption."""


@dataclass(frozen=True)
class AuditArrays:
    """What was drawn and what was answered; arrays of (defects, letters)."""

    drawn: Bools
    chance: Floats
    """Inclusion probability by the draw alone; NaN where the letter could not be drawn."""
    label: Floats
    """From 0 to 1; NaN where there is no label."""
    cannot_tell: Bools
    """Answered, but by no reader with present or not present."""


def find_usable(audit: AuditArrays, source: Ints) -> Bools:
    """Whether a defect's labels count in a source, (defects, sources).

    `source`, (letters,), is the number of each letter's source, from 0.
    """
    sources = int(source.max()) + 1
    usable = np.zeros((len(audit.drawn), sources), dtype=np.bool_)
    for row, drawn in enumerate(audit.drawn):
        labelled = np.isfinite(audit.label[row])
        asked = np.bincount(source[drawn], minlength=sources)
        known = np.bincount(source[drawn & labelled], minlength=sources)
        usable[row] = (known > 0) & (known >= MIN_LABELLED_SHARE * asked)
    return usable


def weigh_labels(audit: AuditArrays, scroll: Ints, source: Ints) -> tuple[Floats, Floats]:
    """Labels that count, and their inclusion probabilities under the assumption.

    `scroll` and `source`, (letters,), number each letter's scroll and source from 0. Both results
    are (defects, letters); probabilities are 1 where nothing can be drawn.
    """
    usable = find_usable(audit, source)
    label = np.where(usable[:, source], audit.label, np.nan)
    probability = np.where(np.isnan(audit.chance), 1.0, audit.chance)
    for row, drawn in enumerate(audit.drawn):
        weight = np.where(drawn, 1 / probability[row], 0.0)
        asked = np.bincount(scroll, weight)
        known = np.bincount(scroll, np.where(np.isfinite(audit.label[row]), weight, 0.0))
        # Without rounding errors where everything is labelled.
        share = np.where((known > 0) & (known < asked), known / np.maximum(asked, 1e-300), 1.0)
        probability[row] *= share[scroll]
    return label, probability


def fill_labels(audit: AuditArrays, source: Ints, values: Floats) -> Floats:
    """Labels that count, every question without one answered by its source's entry in `values`.

    `values`, (sources,); the result is (defects, letters).
    """
    usable = find_usable(audit, source)
    filled = np.where(audit.drawn & np.isnan(audit.label), values[source], audit.label)
    return np.where(usable[:, source], filled, np.nan)

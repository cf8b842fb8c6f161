"""Rates standardised to one mix of letters, where sources were written from unlike texts.

A defect strikes some letters of the alphabet more than others. Where sources hold them in unlike
shares, each unit's rate is multiplied by what its letters lead to expect less than the common mix
(indirect standardisation; Armitage, Berry and Matthews 2002, Statistical Methods in Medical
Research, section 19.3).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from crownlet.infer.survey.estimators import Ints, LetterSample
from crownlet.infer.survey.intervals import Floats

MIN_MIX_SHIFT = 0.05
"""Share of its rate by which a source's mix of letters must shift it before rates are
standardised: scrolls of one text differ by a few letters that were not found."""

PRIOR_EVENTS = 10.0
"""Defects that each letter of the alphabet is taken to have shown at the rate of all, beside its
own: with few defects the letters' own rates are chance, and standardising by them would fit it."""

MAX_MIX_FACTOR = 4.0
"""Rates are not multiplied by more: letters so unlike show nothing of each other."""


def compute_mix_factors(letters: LetterSample, form: NDArray[np.str_], source_of: Ints) -> Floats:
    """What each unit's rate is multiplied by, (units,); all 1 where sources have one mix.

    `form`, (letters,), names each letter of the alphabet; `source_of`, (units,), each unit's
    source. The rate of a form is that of its labels where all letters are judged, else the
    network's mean over all of them: only the proportions between forms count.
    """
    units = len(source_of)
    names, number = np.unique(form, return_inverse=True)
    present = np.unique(letters.unit)
    if len(names) < 2 or len(present) < 2:
        return np.ones(units)
    answer = letters.predicted if np.isnan(letters.label).any() else letters.label
    rate = float(answer.mean())
    by_chance = np.bincount(number) * rate
    rate_of = rate * (np.bincount(number, answer) + PRIOR_EVENTS) / (by_chance + PRIOR_EVENTS)
    sizes = np.bincount(letters.unit, minlength=units)
    expected = np.bincount(letters.unit, rate_of[number], units) / np.maximum(sizes, 1)
    common = float(expected[present].mean())
    means = [expected[present][source_of[present] == s].mean() for s in set(source_of[present])]
    if common <= 0 or max(abs(mean - common) for mean in means) < MIN_MIX_SHIFT * common:
        return np.ones(units)
    factors = np.full(units, 1.0)
    factors[present] = common / np.maximum(expected[present], common / MAX_MIX_FACTOR)
    return np.asarray(np.clip(factors, 1 / MAX_MIX_FACTOR, MAX_MIX_FACTOR))

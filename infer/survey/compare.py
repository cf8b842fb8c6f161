"""A whole survey compared: rates, shares, contrasts and pairs from its tables of letters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations
from typing import Any, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from crownlet.infer.survey.contrasts import Tested, holm, paired, welch
from crownlet.infer.survey.data import FACE, REVERSE, Tables, tables
from crownlet.infer.survey.estimators import Estimate, Letters, corrected, read, tune
from crownlet.infer.survey.intervals import Floats, clopper_pearson, correlation
from crownlet.infer.survey.records import (
    FEW_SCROLLS,
    MIN_SCROLLS,
    Basis,
    Comparison,
    Contrast,
    Pair,
    Rate,
    Share,
)


def shares(survey: Tables) -> tuple[Share, ...]:
    """A row for each defect, then for `any`, by source."""
    scrolls = len(survey.source_of)
    has = np.zeros((len(survey.defects), scrolls), dtype=bool)
    for place, found in enumerate(survey.found):
        has[place, survey.scroll[found & ~np.isnan(survey.predicted[place])]] = True
    has = np.vstack([has, has.any(axis=0)])
    return tuple(
        _share(defect, code, row[survey.source_of == number])
        for defect, row in zip((*survey.defects, "any"), has, strict=True)
        for number, code in enumerate(survey.sources)
    )


def _share(defect: str, code: str, has: NDArray[np.bool_]) -> Share:
    count, of = int(has.sum()), len(has)
    low, high = clopper_pearson(count, of) if of >= MIN_SCROLLS else (None, None)
    return Share(defect, code, of, count, count / of, low, high)


ORDER: tuple[Basis, ...] = ("read", "audited", "unaudited")
"""From the strongest basis to the weakest."""


def from_tables(
    defects: Sequence[str], scroll: ArrayLike, source: ArrayLike, predicted: ArrayLike, **more: Any
) -> Comparison:
    """Compare the sources of a survey; the arrays are those of `tables`, which checks them."""
    return compare(tables(defects, scroll, source, predicted, **more))


def compare(survey: Tables) -> Comparison:
    """All results; a defect that no letter of a source can have has no row for that source."""
    rates: list[Rate] = []
    contrasts: list[Contrast] = []
    pairs: list[Pair] = []
    for place, defect in enumerate(survey.defects):
        letters = survey.letters(place)
        known = _estimates(survey, letters)
        rates += [_rate(defect, *one) for one in known]
        contrasts += [_contrast(defect, *two) for two in combinations(known, 2)]
        pairs += _pair(defect, survey, letters, ~np.isnan(survey.predicted[place]))
    return Comparison(tuple(rates), shares(survey), _holm(contrasts), _holm(pairs))


Test = TypeVar("Test", Contrast, Pair)


def _holm(made: Sequence[Test]) -> tuple[Test, ...]:
    """Corrected in two families: what a reader's word stands behind, and the network's alone.

    Defects are chosen for the audit before anything is seen; the others, which nobody checked, are
    looked at by the way and shall not hide what was.
    """
    corrected = list(made)
    for bare in (False, True):
        places = [k for k, test in enumerate(made) if (test.basis == "unaudited") is bare]
        for k, p in zip(places, holm([made[k].p for k in places]), strict=True):
            corrected[k] = replace(made[k], p_holm=p)
    return tuple(corrected)


Known = tuple[str, Basis, Estimate, float | None]
"""A source's code, its basis, its estimate and the likeness within its scrolls."""


def by_letter(survey: Tables) -> tuple[Rate, ...]:
    """Rates of each letter of the alphabet that can have a defect, in the alphabet's order."""
    rates: list[Rate] = []
    for place, defect in enumerate(survey.defects):
        letters = survey.letters(place)
        forms = survey.letter[~np.isnan(survey.predicted[place])]
        for form in np.unique(forms):
            known = _estimates(survey, letters.of(np.asarray(forms == form)))
            rates += [_rate(defect, *one, letter=str(form)) for one in known]
    return tuple(rates)


def _estimates(survey: Tables, letters: Letters) -> list[Known]:
    if not len(letters.scroll):
        return []
    tuning = tune(letters)
    known: list[Known] = []
    for number, code in enumerate(survey.sources):
        mine = survey.source_of[letters.scroll] == number
        if mine.any():
            known.append((code, *_estimate(letters.of(mine), tuning)))
    return known


def _estimate(letters: Letters, tuning: Floats) -> tuple[Basis, Estimate, float | None]:
    """Letters of some scrolls, with each scroll's lambda over the whole survey."""
    scrolls, number = np.unique(letters.scroll, return_inverse=True)
    mine = replace(letters, scroll=number)
    basis = _basis(mine)
    judged = mine if basis == "unaudited" else mine.of(~np.isnan(mine.label))
    word = judged.predicted if basis == "unaudited" else judged.label
    present = np.unique(judged.scroll)
    counts, sizes = judged.sums(word)[present], judged.sums(np.ones_like(word))[present]
    likeness = correlation(counts, sizes)
    if basis == "audited":
        return basis, corrected(mine, tuning[scrolls]), likeness
    return basis, read(counts, sizes), likeness


def _basis(letters: Letters) -> Basis:
    """An audit of fewer scrolls than an interval needs does not count as one."""
    judged = ~np.isnan(letters.label)
    if judged.all():
        return "read"
    return "audited" if len(np.unique(letters.scroll[judged])) >= MIN_SCROLLS else "unaudited"


def _rate(
    defect: str, code: str, basis: Basis, found: Estimate, likeness: float | None, letter: str = ""
) -> Rate:
    scrolls, letters = len(found.sizes), int(found.sizes.sum())
    rate = min(max(found.rate, 0.0), 1.0)
    variance = found.variance if scrolls > 1 else None
    low, high = found.limits() if scrolls >= MIN_SCROLLS else (None, None)
    unlike = rate * (1 - rate) / found.audited
    return Rate(
        defect=defect,
        letter=letter,
        source=code,
        basis=basis,
        scrolls=scrolls,
        letters=letters,
        audited=0 if basis == "unaudited" else found.audited,
        rate=rate,
        se=None if variance is None else variance**0.5,
        low=low,
        high=high,
        design_effect=variance / unlike if variance is not None and unlike > 0 else None,
        likeness=likeness,
        note=_note(basis, scrolls),
    )


def _note(basis: Basis, scrolls: int) -> str:
    notes = []
    if basis == "unaudited":
        notes.append("Unaudited: the network's word alone.")
    if scrolls < MIN_SCROLLS:
        notes.append(f"No interval: fewer than {MIN_SCROLLS} scrolls.")
    elif scrolls < FEW_SCROLLS:
        notes.append(f"Few scrolls: {scrolls}.")
    return " ".join(notes)


def _contrast(defect: str, first: Known, second: Known) -> Contrast:
    """A corrected rate is not tested against the network's bare word."""
    test = welch(first[2].scroll_rates, second[2].scroll_rates)
    basis = max(first[1], second[1], key=ORDER.index)
    if basis == "unaudited" and first[1] != second[1]:
        test = Tested(test.difference, None, None, None, None)
    return Contrast(defect, first[0], second[0], basis, *test, p_holm=None)


def _pair(defect: str, survey: Tables, letters: Letters, applies: NDArray[np.bool_]) -> list[Pair]:
    """The scrolls with letters on both sides, of all sources; nothing where there is none.

    As between sources, a corrected rate is not tested against the network's bare word.
    """
    side: NDArray[np.str_] = survey.side[applies]
    face, reverse = letters.scroll[side == FACE], letters.scroll[side == REVERSE]
    both = np.intersect1d(face, reverse)
    if not len(both):
        return []
    tuning = tune(letters)
    kept = np.isin(letters.scroll, both)
    sides = [
        _estimate(letters.of(kept & np.asarray(side == name)), tuning) for name in (FACE, REVERSE)
    ]
    basis = max((one[0] for one in sides), key=ORDER.index)
    test = paired(sides[0][1].scroll_rates, sides[1][1].scroll_rates)
    if basis == "unaudited" and sides[0][0] != sides[1][0]:
        test = Tested(test.difference, None, None, None, None)
    return [Pair(defect, basis, len(both), test.difference, test.low, test.high, test.p, None)]

"""The letters of a whole survey as arrays, checked once, before anything is counted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from crownlet.infer.survey.estimators import Ints, Letters
from crownlet.infer.survey.likeness import Floats

FACE, REVERSE = "face", "reverse"


class TableError(ValueError):
    """The arrays of a survey do not fit together; the message is one sentence for the user."""


@dataclass(frozen=True)
class Tables:
    """All letters of a survey; build it with `tables`, which checks."""

    defects: tuple[str, ...]
    sources: tuple[str, ...]
    scroll: Ints
    """Scroll number of each letter, from 0, (letters,)."""
    source_of: Ints
    """Number in `sources` of each scroll, (scrolls,)."""
    predicted: Floats
    """(defects, letters); NaN where the letter cannot have the defect."""
    label: Floats
    """(defects, letters), 0 or 1; NaN where no reader judged."""
    chance: Floats
    """(defects, letters): before the draw, that the letter would be judged for the defect."""
    found: NDArray[np.bool_]
    """(defects, letters): whether the tool made a finding of it."""
    side: NDArray[np.str_]
    """(letters,): `face`, `reverse`, or empty."""
    letter: NDArray[np.str_]
    """(letters,): which letter of the alphabet it is, or empty."""

    def letters(self, defect: int) -> Letters:
        """The letters that can have the defect, scrolls still numbered over the whole survey."""
        applies = ~np.isnan(self.predicted[defect])
        return Letters(
            self.scroll, self.predicted[defect], self.label[defect], self.chance[defect]
        ).of(applies)


def tables(
    defects: Sequence[str],
    scroll: ArrayLike,
    source: ArrayLike,
    predicted: ArrayLike,
    label: ArrayLike | None = None,
    chance: ArrayLike | float = 1.0,
    found: ArrayLike | None = None,
    side: ArrayLike | None = None,
    letter: ArrayLike | None = None,
) -> Tables:
    """Check and number the letters of a survey.

    `scroll`, `source`, `side` and `letter` are (letters,), the first two names or numbers;
    `predicted`, `label` and `found` are (defects, letters); `chance` is either. Without `found`, a
    finding is a prediction of 0.5 or more. TableError says what does not fit.
    """
    said = np.asarray(predicted, dtype=np.float64)
    names, number = np.unique(np.asarray(scroll), return_inverse=True)
    count = len(number)
    _need(
        said.shape == (len(defects), count),
        "predicted must have a row a defect, a column a letter.",
    )
    word = np.full(said.shape, np.nan) if label is None else np.asarray(label, dtype=np.float64)
    _need(word.shape == said.shape, "label must have the shape of predicted.")
    odds = np.asarray(chance, dtype=np.float64)
    _need(odds.shape in ((), (count,), said.shape), "chance must have one entry a letter.")
    odds = np.broadcast_to(odds, said.shape)
    _need(bool(np.all((odds > 0) & (odds <= 1))), "every chance must be above 0 and at most 1.")
    _need(
        bool(np.all(np.isnan(said) | ((said >= 0) & (said <= 1)))),
        "predicted must lie from 0 to 1.",
    )
    _need(
        bool(np.all(np.isnan(word) | (word == 0) | (word == 1))), "label must be 0, 1 or missing."
    )
    marks = said >= 0.5 if found is None else np.asarray(found, dtype=np.bool_)
    _need(marks.shape == said.shape, "found must have the shape of predicted.")
    sides, forms = (
        np.full(count, "") if given is None else np.asarray(given, dtype=np.str_)
        for given in (side, letter)
    )
    _need(sides.shape == forms.shape == (count,), "side and letter must have one entry a letter.")
    codes, source_of = _sources(np.asarray(source), number, names)
    return Tables(
        tuple(defects),
        codes,
        number.astype(np.int64),
        source_of,
        said,
        word,
        odds,
        marks,
        sides,
        forms,
    )


def _sources(
    source: NDArray[np.generic], number: Ints, names: NDArray[np.generic]
) -> tuple[tuple[str, ...], Ints]:
    """Names of the sources, and each scroll's source; a scroll of two sources is an error."""
    _need(source.shape == number.shape, "source must name one source a letter.")
    codes, place = np.unique(source, return_inverse=True)
    source_of = np.zeros(len(names), dtype=np.int64)
    source_of[number] = place
    for wrong in np.flatnonzero(source_of[number] != place)[:1]:
        raise TableError(f"scroll {names[number[wrong]]} has letters of two sources.")
    return tuple(str(code) for code in codes), source_of


def _need(holds: bool, sentence: str) -> None:
    if not holds:
        raise TableError(sentence)

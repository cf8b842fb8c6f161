"""Which letters of a page are measured: those that somebody may ask about.

A length is weighed against the networks, shown beside a finding, or asked for by the customs; of a
letter that the networks clear by far none of these needs it. Researchers have all letters measured.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, get_args

import numpy as np

from crownlet.datasets.scribal.alphabet import LETTERS, index_of
from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.infer.limits import limits_of
from crownlet.infer.records import Bools, Floats, Ints
from crownlet.infer.routing.reasons import MEASURED_DEFECTS
from crownlet.infer.thresholds import Thresholds

if TYPE_CHECKING:
    from crownlet.datasets.scribal.customs import Customs

_LIMITS = limits_of("routing.measured")

MIN_DOUBT_P = _LIMITS.number("min_doubt_p")
"""Probability of a defect of `MEASURED_DEFECTS` from which its letter is measured. On 140 pages by
held-out hands (8,474 letters, two pairs of networks) measures sent 15 letters to review that the
networks had cleared, 8 of them below 0.01: without a fault, or with one of at most 0.3 in
plainness, which counts as none."""

UNKNOWN_TAGS = -1
"""Number of tags of a letter for which the customs name none."""

MeasureScope = Literal["doubts", "all", "none"]

MEASURE_SCOPES: tuple[MeasureScope, ...] = get_args(MeasureScope)


@dataclass(frozen=True)
class MeasureRequest:
    """Which letters are measured, by what the assessor says of them."""

    scope: MeasureScope
    min_letter_p: float
    """A letter that is read with less is in doubt."""
    defect_limits: Floats
    """(27, D) probability from which a defect of a letter is a doubt; infinite where it does not
    apply."""
    tags_expected: Ints
    """(27,) tags of each letter by the customs, `UNKNOWN_TAGS` where they name none."""
    tag_limits: tuple[float, float]
    """Probabilities of missing and of further tags from which they are a doubt."""
    by_customs: Bools
    """(27,) letters whose form the customs have measured."""

    def choose(self, letters: Floats, defects: Floats, tags: Floats) -> Bools:
        """(N,) letters to be measured; (N, 28), (N, D), (N, 5) as in `Assessed`."""
        if self.scope != "doubts":
            return np.full(len(letters), self.scope == "all")
        known = letters[:, : len(LETTERS)]
        read, letter_p = known.argmax(axis=1), known.max(axis=1)
        doubt = (letter_p < self.min_letter_p) | self.by_customs[read]
        doubt |= (defects >= self.defect_limits[read]).any(axis=1)
        expected, counts = self.tags_expected[read][:, None], np.arange(tags.shape[1])
        fewer = np.where(counts < expected, tags, 0.0).sum(axis=1)
        more = np.where((counts > expected) & (expected != UNKNOWN_TAGS), tags, 0.0).sum(axis=1)
        result: Bools = doubt | (fewer >= self.tag_limits[0]) | (more >= self.tag_limits[1])
        return result


def measure_request(
    scope: MeasureScope, learned: tuple[str, ...], thresholds: Thresholds, customs: Customs
) -> MeasureRequest:
    """The letters that `scope` measures; `learned` names the columns of the defects."""
    limits = np.full((len(LETTERS), len(learned)), np.inf)
    for column, name in enumerate(learned):
        clear = thresholds.of(name).clear
        applies = [CATALOGUE[name].applies_to(letter) for letter in LETTERS]
        limits[applies, column] = min(clear, MIN_DOUBT_P) if name in MEASURED_DEFECTS else clear
    by_customs = np.zeros(len(LETTERS), np.bool_)
    by_customs[index_of("ח")] = customs.chet_top != "unspecified"
    tags = [customs.tags_expected(letter) for letter in LETTERS]
    return MeasureRequest(
        scope, thresholds.letter_p, limits,
        np.array([UNKNOWN_TAGS if count is None else count for count in tags]),
        (thresholds.of("tag_missing").clear, thresholds.of("tag_excess").clear), by_customs,
    )  # fmt: skip

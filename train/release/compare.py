"""Two models on one suite: letter errors and cases of defects scroll by scroll, and differences.

Errors on letters of one hand are correlated, so each difference is linearised into one residual per
scroll and its variance is that between scrolls. Rates: the ratio estimator of a cluster sample
(Cochran, Sampling Techniques, 1977, section 11). AUROC: the placements of DeLong et al. (1988),
summed by cluster (Obuchowski 1997, Nonparametric analysis of clustered ROC curve data).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.stats import rankdata, t

from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.scribal.alphabet import ALPHABET
from crownlet.datasets.scribal.catalogue import GLYPH_DEFECTS
from crownlet.datasets.scribal.customs import Customs
from crownlet.infer.records import PageRecord
from crownlet.train.evaluation.defect_scores import (
    DOUBTFUL_PLAINNESS,
    NO_CASES,
    DefectCases,
    gather_cases,
)
from crownlet.train.evaluation.held_out import with_expected_tags
from crownlet.train.evaluation.matching import LetterErrors, count_letter_errors, match_page

Floats = npt.NDArray[np.float64]

Ints = npt.NDArray[np.int64]

CONFIDENCE_LEVEL = 0.95


CROWN_DEFECTS = tuple(name for name in GLYPH_DEFECTS if name.startswith("tag_"))

LETTER_MEASURE, DEFECT_MEASURE, CROWN_MEASURE = "letters", "defects", "crowns"
"""Measures of a whole suite: letter error rate, mean AUROC of all defects, of those of crowns."""


@dataclass(frozen=True)
class Difference:
    """A measure of the old and of the new model, and new less old with its limits."""

    old: float
    new: float
    low: float | None
    """None with fewer than two scrolls: the variance between scrolls is then unknown."""
    high: float | None
    scrolls: int
    cases: int

    @property
    def difference(self) -> float:
        """New less old."""
        return self.new - self.old


@dataclass(frozen=True)
class ScoredDefect:
    """One model's probabilities of one defect on N letters."""

    scroll: Ints
    p: Floats
    plain: npt.NDArray[np.bool_]
    """Whether the defect is there."""


def compare_rates(
    old: npt.ArrayLike, new: npt.ArrayLike, sizes: npt.ArrayLike, level: float = CONFIDENCE_LEVEL
) -> Difference:
    """Error rates: errors of the old and of the new model in `sizes` letters, (scrolls,) each.

    The variance is never taken below that of one error more or less: models that agree on every
    letter read have not shown that they always do.
    """
    a, b, n = (np.asarray(x, np.float64) for x in (old, new, sizes))
    total = float(n.sum())
    first, second = float(a.sum()) / total, float(b.sum()) / total
    residuals = ((b - a) - (second - first) * n) / total
    spread = _interval(second - first, residuals, 1 / total, level)
    return Difference(first, second, *spread, len(n), int(total))


def compare_aurocs(
    pairs: Sequence[tuple[ScoredDefect, ScoredDefect]],
    scrolls: int,
    level: float = CONFIDENCE_LEVEL,
) -> Difference | None:
    """Mean AUROC over defects, `pairs` holding (old, new) of each; scroll numbers below `scrolls`.

    Defects without cases on either side are left out; None if none is left. The two models need
    not have probabilities for the same letters.
    """
    rows = [
        (_auroc_and_parts(a, scrolls), _auroc_and_parts(b, scrolls), int(b.plain.sum()))
        for a, b in pairs
    ]
    kept = [(a, b, cases) for a, b, cases in rows if a is not None and b is not None]
    if not kept:
        return None
    first = float(np.mean([a[0] for a, _, _ in kept]))
    second = float(np.mean([b[0] for _, b, _ in kept]))
    residuals = np.mean([b[1] - a[1] for a, b, _ in kept], axis=0)
    cases = sum(cases for _, _, cases in kept)
    # As if one case more had moved past half of those without the defect.
    spread = _interval(second - first, residuals, 0.5 / cases, level)
    return Difference(first, second, *spread, scrolls, cases)


def _auroc_and_parts(scored: ScoredDefect, scrolls: int) -> tuple[float, Floats] | None:
    """AUROC, and each scroll's part in its error, (scrolls,); None without cases on both sides."""
    plain, rest = int(scored.plain.sum()), int((~scored.plain).sum())
    if not plain or not rest:
        return None
    every = rankdata(scored.p)
    above = (every[scored.plain] - rankdata(scored.p[scored.plain])) / rest
    below = 1 - (every[~scored.plain] - rankdata(scored.p[~scored.plain])) / plain
    area = float(above.mean())
    parts = np.bincount(scored.scroll[scored.plain], above - area, scrolls) / plain
    return area, parts + np.bincount(scored.scroll[~scored.plain], below - area, scrolls) / rest


def _interval(
    middle: float, residuals: Floats, least: float, level: float
) -> tuple[float | None, float | None]:
    """Limits by a t quantile; `least` is the smallest standard error taken."""
    scrolls = len(residuals)
    if scrolls < 2:
        return None, None
    error = np.sqrt(np.square(residuals).sum() * scrolls / (scrolls - 1))
    reach = float(t.ppf((1 + level) / 2, scrolls - 1)) * max(float(error), least)
    return middle - reach, middle + reach


@dataclass
class SuiteTally:
    """One model on the scrolls of one suite, added page by page; scrolls in order of appearance."""

    errors: dict[str, LetterErrors] = field(default_factory=dict)
    cases: dict[str, dict[str, DefectCases]] = field(default_factory=dict)

    def add_errors(self, scroll: str, found: LetterErrors) -> None:
        """Count letter errors of one page."""
        self.errors[scroll] = self.errors.get(scroll, LetterErrors()) + found

    def add(
        self,
        scroll: str,
        page: PageTruth,
        records: Sequence[PageRecord] | None,
        customs: Customs,
    ) -> None:
        """Count a page: letters by its first record, defects by its last, as the suites do.

        A page that was refused (None) has lost all its letters.
        """
        self.add_errors(
            scroll, count_letter_errors(page.letters, records[0].glyphs if records else ())
        )
        if not records:
            return
        truth = [with_expected_tags(letter, customs) for letter in page.letters]
        seen = records[-1].glyphs
        match = match_page(truth, seen)
        mine = self.cases.setdefault(scroll, {})
        for name in GLYPH_DEFECTS:
            found = gather_cases(truth, seen, name, match)
            if len(found.p):
                mine[name] = mine.get(name, NO_CASES) + found


def count_errors(
    tally: SuiteTally, scrolls: Iterable[str], letter: str | None = None
) -> tuple[Floats, Floats]:
    """Errors and letters of each scroll, of all letters or of one; spurious letters are of all."""
    rows = [_errors_and_letters(tally.errors[scroll], letter) for scroll in scrolls]
    return np.array([row[0] for row in rows], float), np.array([row[1] for row in rows], float)


def _errors_and_letters(errors: LetterErrors, letter: str | None) -> tuple[int, int]:
    if letter is None:
        return errors.errors, errors.true
    wrong = sum(n for (written, _), n in errors.substituted.items() if written == letter)
    return wrong + errors.missing[letter], errors.written[letter]


def score_cases(tally: SuiteTally, scrolls: Mapping[str, int], name: str) -> ScoredDefect:
    """The plain and the absent cases of one defect; `scrolls` numbers them."""
    numbers: list[Ints] = [np.empty(0, np.int64)]
    found = NO_CASES
    for scroll, number in scrolls.items():
        cases = tally.cases.get(scroll, {}).get(name, NO_CASES)
        found += cases
        numbers.append(np.full(len(cases.p), number, np.int64))
    plain = found.plainness > DOUBTFUL_PLAINNESS[1]
    sure = plain | (found.plainness < DOUBTFUL_PLAINNESS[0])
    return ScoredDefect(np.concatenate(numbers)[sure], found.p[sure], plain[sure])


@dataclass(frozen=True)
class SuiteComparison:
    """A suite's differences; those of single letters and defects have wider limits, being many."""

    whole: dict[str, Difference] = field(default_factory=dict)
    by_letter: dict[str, Difference] = field(default_factory=dict)
    by_defect: dict[str, Difference] = field(default_factory=dict)


def compare_tallies(old: SuiteTally, new: SuiteTally) -> SuiteComparison:
    """Both models on the same scrolls. Limits of k letters, or defects, together hold with 95%
    (each at 1 - 0.05 / k, Bonferroni)."""
    scrolls = {scroll: number for number, scroll in enumerate(new.errors)}
    if list(old.errors) != list(scrolls):
        raise ValueError("the two models were not shown the same scrolls")
    whole = {LETTER_MEASURE: _compare_letters(old, new, scrolls)} if scrolls else {}
    pairs = {
        name: (score_cases(old, scrolls, name), score_cases(new, scrolls, name))
        for name in GLYPH_DEFECTS
    }
    for measure, names in ((DEFECT_MEASURE, GLYPH_DEFECTS), (CROWN_MEASURE, CROWN_DEFECTS)):
        found = compare_aurocs([pairs[name] for name in names], len(scrolls))
        if found is not None:
            whole[measure] = found
    written = [
        letter for letter in ALPHABET if count_errors(new, scrolls, letter.char)[1].sum() > 0
    ]
    asked = [name for name in GLYPH_DEFECTS if compare_aurocs([pairs[name]], len(scrolls))]
    by_defect = {
        name: compare_aurocs([pairs[name]], len(scrolls), 1 - (1 - CONFIDENCE_LEVEL) / len(asked))
        for name in asked
    }
    return SuiteComparison(
        whole,
        {
            letter.slug: _compare_letters(
                old, new, scrolls, letter.char, 1 - (1 - CONFIDENCE_LEVEL) / len(written)
            )
            for letter in written
        },
        {name: found for name, found in by_defect.items() if found is not None},
    )


def _compare_letters(
    old: SuiteTally, new: SuiteTally, scrolls: dict[str, int], letter: str | None = None,
    level: float = CONFIDENCE_LEVEL,
) -> Difference:  # fmt: skip
    first, sizes = count_errors(old, scrolls, letter)
    second, _ = count_errors(new, scrolls, letter)
    held = sizes > 0
    if letter is None:
        held[:] = True
    return compare_rates(first[held], second[held], sizes[held], level)

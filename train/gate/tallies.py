"""What one model does on one suite: letter errors and cases of defects, scroll by scroll."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from crownlet.datasets.catalogue import GLYPH_DEFECTS
from crownlet.datasets.customs import Customs
from crownlet.datasets.page.truth import PageTruth
from crownlet.infer.records import PageRecord
from crownlet.train.gate.paired import Floats, Ints, Scored
from crownlet.train.suites.defect_scores import DOUBTFUL, NO_CASES, DefectCases, gather_cases
from crownlet.train.suites.errors import LetterErrors
from crownlet.train.suites.held_out import with_expected_tags
from crownlet.train.suites.matching import letter_errors, match_page


@dataclass
class Tally:
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
        self.add_errors(scroll, letter_errors(page.letters, records[0].glyphs if records else ()))
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


def counts(
    tally: Tally, scrolls: Iterable[str], letter: str | None = None
) -> tuple[Floats, Floats]:
    """Errors and letters of each scroll, of all letters or of one; spurious letters are of all."""
    rows = [_of(tally.errors[scroll], letter) for scroll in scrolls]
    return np.array([row[0] for row in rows], float), np.array([row[1] for row in rows], float)


def _of(errors: LetterErrors, letter: str | None) -> tuple[int, int]:
    if letter is None:
        return errors.errors, errors.true
    wrong = sum(n for (written, _), n in errors.substituted.items() if written == letter)
    return wrong + errors.missing[letter], errors.written[letter]


def scored(tally: Tally, scrolls: Mapping[str, int], name: str) -> Scored:
    """The plain and the absent cases of one defect; `scrolls` numbers them."""
    numbers: list[Ints] = [np.empty(0, np.int64)]
    found = NO_CASES
    for scroll, number in scrolls.items():
        cases = tally.cases.get(scroll, {}).get(name, NO_CASES)
        found += cases
        numbers.append(np.full(len(cases.p), number, np.int64))
    plain = found.plainness > DOUBTFUL[1]
    sure = plain | (found.plainness < DOUBTFUL[0])
    return Scored(np.concatenate(numbers)[sure], found.p[sure], plain[sure])

"""The first suite: pages by hands that training never saw, and whole mezuzot with faulty text."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, replace

import numpy as np
import numpy.typing as npt

from crownlet.datasets.catalogue import GLYPH_DEFECTS
from crownlet.datasets.customs import Customs
from crownlet.datasets.letterforms.glyph import DefectMark
from crownlet.datasets.page.compose import compose
from crownlet.datasets.page.spec import mezuzah, training
from crownlet.datasets.page.truth import LetterTruth, PageTruth
from crownlet.datasets.texts import Portion
from crownlet.infer.records import PageRecord
from crownlet.train.suites.defect_scores import DOUBTFUL, NO_CASES, gather_cases, score_defect
from crownlet.train.suites.errors import LetterErrors
from crownlet.train.suites.matching import letter_errors, match_page
from crownlet.train.suites.page_text import text_of

Reader = Callable[[npt.NDArray[np.uint8], Sequence[Portion | None]], Sequence[PageRecord] | None]
"""Looks at an image once and compares it with each of some texts; None for a page refused."""

FIRST_SEED = 900_000_000
COUNTED = ("tag_missing", "tag_excess")


def with_expected_tags(letter: LetterTruth, customs: Customs) -> LetterTruth:
    """The letter marked `tag_missing` or `tag_excess` as its tags differ from the customs' count.

    A hand that crowns nothing has no slip in it, but the tags are missing all the same; one that
    crowns its vavs has tags too many. Stumps and points, of which it is doubtful whether they
    count, stay doubtful.
    """
    expected = customs.tags_expected(letter.letter)
    others = [mark for mark in letter.defects if mark.name not in COUNTED]
    doubtful = [
        mark
        for mark in letter.defects
        if mark.name in COUNTED and DOUBTFUL[0] <= mark.plainness <= DOUBTFUL[1]
    ]
    known = {mark.name for mark in doubtful}
    missing = 0 if expected is None else expected - letter.tags
    name = "tag_missing" if missing > 0 else "tag_excess"
    if missing and name not in known:
        doubtful.append(DefectMark(name, float(abs(missing))))
    return replace(letter, defects=(*others, *doubtful))


def held_out_pages(count: int) -> Iterator[PageTruth]:
    """Fragments of 60 to 110 letters, nearly a third of them with a fault, one hand a page."""
    for k in range(count):
        yield compose(training(split="heldout"), FIRST_SEED + k)


def held_out_mezuzot(count: int) -> Iterator[PageTruth]:
    """Whole mezuzot with faults of text and spacing, mostly clean letters."""
    for k in range(count):
        spec = mezuzah(48.0, split="heldout", gap_rate=0.03, text_rate=0.004)
        yield compose(spec, FIRST_SEED + 500_000 + k)


def measure_fragments(
    read: Reader, pages: Iterator[PageTruth], customs: Customs
) -> dict[str, object]:
    """Letter errors, every glyph defect, and what the routing let through.

    Letters are read without a text; defects and routes are those of the page against its own text,
    as an examiner has it: which faults a letter can have is then known.
    """
    errors = LetterErrors()
    cases = dict.fromkeys(GLYPH_DEFECTS, NO_CASES)
    routes = {"clear": 0, "review": 0, "finding": 0}
    plain = cleared = refused = number = 0
    worst: list[tuple[float, int]] = []
    for number, page in enumerate(pages, start=1):
        records = read(page.image, (None, text_of(page)))
        if records is None:
            refused += 1
            errors += letter_errors(page.letters, ())
            continue
        freely, record = records
        truth = [with_expected_tags(letter, customs) for letter in page.letters]
        match = match_page(truth, record.glyphs)
        found = letter_errors(truth, freely.glyphs)
        errors += found
        worst.append((found.rate or 0.0, number - 1))
        for name in cases:
            cases[name] += gather_cases(truth, record.glyphs, name, match)
        for i, j in match.pairs:
            glyph = record.glyphs[j]
            routes[glyph.route] += 1
            # What has no probability, or was not examined, was not cleared either.
            asked = [m for m in truth[i].defects if m.plainness > DOUBTFUL[1]]
            asked = [m for m in asked if glyph.p.get(m.name) is not None]
            asked = [m for m in asked if m.name not in glyph.not_examined]
            plain += bool(asked)
            cleared += bool(asked) and glyph.route == "clear"
    total = max(1, sum(routes.values()))
    return {
        "pages": number,
        "pages_refused": refused,
        **errors.summary(),
        "worst_pages": [
            {"page": page, "letter_error_rate": rate}
            for rate, page in sorted(worst, reverse=True)[:5]
        ],
        "defects": {name: asdict(score_defect(found)) for name, found in cases.items()},
        "routing": {
            **{name: count / total for name, count in routes.items()},
            "letters_with_plain_faults": plain,
            "of_them_cleared": cleared / max(1, plain),
        },
    }


def summed(pages: Sequence[dict[str, int]]) -> dict[str, int]:
    """Counts added up by name."""
    names = dict.fromkeys(name for page in pages for name in page)
    return {name: sum(page.get(name, 0) for page in pages) for name in names}

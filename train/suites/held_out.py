"""The first suite: pages by hands that training never saw, and whole mezuzot with faulty text."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, replace

from crownlet.datasets.catalogue import GLYPH_DEFECTS
from crownlet.datasets.customs import Customs
from crownlet.datasets.letterforms.glyph import DefectMark
from crownlet.datasets.page.spec import mezuzah, training
from crownlet.datasets.page.truth import LetterTruth
from crownlet.infer.records import GlyphRecord
from crownlet.train.suites.defect_scores import (
    COUNTED,
    DOUBTFUL,
    NO_CASES,
    DefectScore,
    gather_cases,
    score_defect,
)
from crownlet.train.suites.held_out_letters import LetterTally
from crownlet.train.suites.held_out_routes import RouteTally
from crownlet.train.suites.matching import match_page
from crownlet.train.suites.reading import OWN, Job, ReadPage

FIRST_SEED = 900_000_000


def with_expected_tags(letter: LetterTruth, customs: Customs) -> LetterTruth:
    """The letter marked `tag_missing` or `tag_excess` as its tags differ from the customs' count.

    A hand that crowns nothing has no slip in it, but the tags are missing all the same; one that
    crowns its vavs has tags too many. Stumps and points, of which it is doubtful whether they
    count, stay doubtful; of a letter whose tags nobody counted nothing changes.
    """
    if letter.tags < 0:
        return letter
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


def held_out_pages(count: int) -> list[Job]:
    """Fragments of 60 to 110 letters, nearly a third of them with a fault, one hand a page.

    They are read without a text, then against their own.
    """
    spec = training(split="heldout")
    return [Job(spec, FIRST_SEED + k, (None, OWN)) for k in range(count)]


def held_out_mezuzot(count: int) -> list[Job]:
    """Whole mezuzot with faults of text and spacing, mostly clean letters."""
    spec = mezuzah(48.0, split="heldout", gap_rate=0.03, text_rate=0.004)
    return [Job(spec, FIRST_SEED + 500_000 + k, ("mezuzah",)) for k in range(count)]


def measure_fragments(pages: Iterable[ReadPage], customs: Customs) -> dict[str, object]:
    """Letter errors, every glyph defect, and what the routing let through.

    Letters are read without a text; defects and routes are those of the page against its own text,
    as an examiner has it: which faults a letter can have is then known.
    """
    letters, routes = LetterTally(), RouteTally()
    cases = dict.fromkeys(GLYPH_DEFECTS, NO_CASES)
    examined = dict.fromkeys(GLYPH_DEFECTS, NO_CASES)
    for page in pages:
        letters.add(page)
        if page.records is None:
            continue
        seen = page.records[1].glyphs
        truth = [with_expected_tags(letter, customs) for letter in page.truth.letters]
        match = match_page(truth, seen)
        routes.add(truth, seen, match)
        for name in GLYPH_DEFECTS:
            cases[name] += gather_cases(truth, seen, name, match)
            examined[name] += gather_cases(truth, _examined(seen, name), name, match)
    return {
        **letters.card(),
        "defects": {
            name: {
                **asdict(score_defect(cases[name])),
                "where_examined": _brief(score_defect(examined[name])),
            }
            for name in GLYPH_DEFECTS
        },
        "routing": routes.card(),
    }


def _examined(seen: tuple[GlyphRecord, ...], name: str) -> list[GlyphRecord]:
    """The same letters, those on which the picture does not let the defect be judged without it."""
    return [
        replace(glyph, p={**glyph.p, name: None}) if name in glyph.not_examined else glyph
        for glyph in seen
    ]


def _brief(score: DefectScore) -> dict[str, object]:
    keys = ("positives", "negatives", "auroc", "auroc_from_half", "calibration_error")
    return {key: value for key, value in asdict(score).items() if key in keys}

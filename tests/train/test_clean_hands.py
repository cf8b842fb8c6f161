"""The suite of clean hands counts what is listed on letters without a fault, and no other letters.

Counted by hand; no outside source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crownlet.datasets.coco.truth import DefectMark, LetterTruth, PageTruth
from crownlet.datasets.files.images import ImageFacts
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.records import GlyphRecord, PageRecord
from crownlet.train.evaluation.clean_hands import clean_hand_pages, measure_clean_hands
from crownlet.train.evaluation.workers import ReadingJob, ReadPage

CUSTOMS = load_customs("beit_yosef")


def written(place: int, letter: str, *marks: DefectMark) -> LetterTruth:
    x = 400.0 - 20 * place
    return LetterTruth(
        letter, letter, 0, 0, place, (x, 0, x + 16, 24), (x + 8, 0, 24, 0),
        CUSTOMS.tags_expected(letter) or 0, marks,
    )  # fmt: skip


def seen(place: int, letter: str, route: str = "clear", *reasons: str) -> GlyphRecord:
    x = 400.0 - 20 * place
    return GlyphRecord(
        place + 1, 1, 1, place + 1, letter, 0.99, letter, (x, 0, x + 16, 24), (x + 8, 0, 24, 0),
        0, None, dict.fromkeys(reasons, 0.9), route, reasons,  # type: ignore[arg-type]
        reasons if route == "finding" else (),
    )  # fmt: skip


def page(letters: list[LetterTruth], glyphs: list[GlyphRecord]) -> ReadPage:
    facts = ImageFacts("p", 500, 40, "L", "PNG")
    truth = PageTruth(np.zeros((0, 0), np.uint8), tuple(letters), meta={})
    return ReadPage(
        ReadingJob(truth, 0), truth, (PageRecord("p", facts, tuple(glyphs), (), None, 0),)
    )


def test_findings_and_reviews_of_clean_letters_are_counted() -> None:
    letters = [written(k, "ר") for k in range(10)]
    letters[9] = written(9, "ר", DefectMark("overstretched", 3.0))
    glyphs = [seen(k, "ר") for k in range(10)]
    glyphs[0] = seen(0, "ר", "finding", "corner_rounded")
    glyphs[1] = seen(1, "ר", "review", "corner_rounded")
    glyphs[2] = seen(2, "ר", "review", "ink_lost")
    # Drawn out to fill its line, which the renderer marks: what is said of it is not in vain.
    glyphs[9] = seen(9, "ר", "finding", "overstretched")
    card = measure_clean_hands([page(letters, glyphs)], CUSTOMS)
    assert card["letters"] == 9
    assert card["findings_per_letter"] == card["worst_page_findings_per_letter"] == 1 / 9
    assert card["reviews_per_letter"] == 2 / 9
    assert card["seen"] == {"corner_rounded": 1}
    assert card["doubted"] == {"corner_rounded": 1, "ink_lost": 1}


def test_a_refused_page_counts_as_refused() -> None:
    refused = replace(page([], []), records=None)
    card = measure_clean_hands([refused], CUSTOMS)
    assert (card["pages"], card["pages_refused"], card["letters"]) == (1, 1, 0)


def test_pages_are_by_hands_of_their_own_forms_without_planted_faults() -> None:
    (job,) = clean_hand_pages(1)
    assert job.spec.own_forms and job.spec.split == "heldout"  # type: ignore[union-attr]
    marks = {
        mark.name
        for letter in compose(job.spec, job.seed).letters  # type: ignore[arg-type]
        for mark in letter.defects
    }
    # Stretching fills lines and wear takes ink: neither is a planted fault of form.
    assert marks <= {"overstretched", "ink_lost", "stroke_broken", "yud_misplaced", "letters_touch"}

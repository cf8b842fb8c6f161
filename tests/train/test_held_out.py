"""Counting of faults on whole pages, against pages and records made up by hand."""

from dataclasses import replace

import numpy as np

from crownlet.datasets.coco.truth import DefectMark, GapTruth, LetterTruth, PageTruth
from crownlet.datasets.files.images import ImageFacts
from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.records import AbsentLetter, GapRecord, GlyphRecord, PageRecord, TextMatch
from crownlet.train.evaluation.held_out import with_expected_tags
from crownlet.train.evaluation.held_out_text import count_text_faults, gather_gap_cases
from crownlet.train.evaluation.matching import match_page


def written(place: int, letter: str, expected: str | None = "", tags: int = 0) -> LetterTruth:
    x = 100.0 - 10 * place
    asked = letter if expected == "" else expected
    return LetterTruth(letter, asked, 0, 0, place, (x, 0, x + 8, 12), (x + 4, 0, 12, 0), tags)


def seen(place: int, letter: str, expected: str = "", reasons: tuple[str, ...] = ()) -> GlyphRecord:
    x = 100.0 - 10 * place
    return GlyphRecord(
        place + 1, 1, 1, place + 1, letter, 0.99, expected or letter, (x, 0, x + 8, 12),
        (x + 4, 0, 12, 0), 0, None, {}, "clear", reasons,
    )  # fmt: skip


def record(*glyphs: GlyphRecord, absent: tuple[AbsentLetter, ...] = ()) -> PageRecord:
    match = TextMatch("made up", 5, 5, 0, 0, absent)
    return PageRecord("p", ImageFacts("p", 200, 20, "L", "PNG"), glyphs, (), match, 0)


def page(*letters: LetterTruth, missing: tuple[tuple[int, str], ...] = ()) -> PageTruth:
    return PageTruth(np.full((20, 200), 255, np.uint8), letters, missing=missing)


def test_fewer_tags_than_the_custom_asks_are_missing_whoever_left_them_out() -> None:
    # Three on shatnez getz (Menachot 29b), one on bedek chaya.
    customs = load_customs("beit_yosef")
    bare = with_expected_tags(written(0, "ש", tags=2), customs)
    assert [(m.name, m.size) for m in bare.defects] == [("tag_missing", 1.0)]
    slip = replace(written(0, "ב", tags=1), defects=(DefectMark("tag_missing", 0.0, 0.2),))
    assert with_expected_tags(slip, customs).defects == ()
    doubtful = replace(written(0, "ב", tags=1), defects=(DefectMark("tag_missing", 0.5, 0.5),))
    assert with_expected_tags(doubtful, customs).defects == doubtful.defects


def test_more_tags_than_the_custom_asks_are_in_excess_whoever_set_them() -> None:
    # Vav is in neither class of Menachot 29b and bedek chaya; added tags: MB 36:13-14.
    customs = load_customs("beit_yosef")
    crowned = with_expected_tags(written(0, "ו", tags=1), customs)
    assert [(m.name, m.size) for m in crowned.defects] == [("tag_excess", 1.0)]
    doubtful = replace(written(0, "ו", tags=1), defects=(DefectMark("tag_excess", 1.0, 0.6),))
    assert with_expected_tags(doubtful, customs).defects == doubtful.defects


def test_faults_of_the_text_are_counted_where_they_are_and_where_they_are_not() -> None:
    truth = page(written(0, "ש"), written(1, "ר", "ד"), written(2, "ב", None), written(3, "ה"),
                 missing=((3, "ם"),))  # fmt: skip
    found = record(
        seen(0, "ש"), seen(1, "ר", "ד", ("letter_swapped",)), replace(seen(2, "ב"), expected=""),
        seen(3, "ה", "ח", ("letter_swapped",)),
        absent=(AbsentLetter("ם", 1, 1, 5, 4, (0, 0)), AbsentLetter("ל", 1, 1, 5, 1, (0, 0))),
    )  # fmt: skip
    counts = count_text_faults(truth, found, match_page(truth.letters, found.glyphs))
    assert counts == {
        "letter_swapped": 1, "letter_swapped_found": 1, "letter_swapped_in_vain": 1,
        "letter_absent": 1, "letter_absent_found": 1, "letter_absent_in_vain": 1,
        "letter_extra": 1, "letter_extra_found": 1, "letter_extra_in_vain": 0,
    }  # fmt: skip


def test_gaps_are_scored_between_the_letters_that_stand_beside_them() -> None:
    joined = (DefectMark("words_joined", 0.3, 0.9),)
    truth = replace(
        page(written(0, "ש"), written(1, "ר"), written(2, "ב")),
        gaps=(GapTruth(0, 1, "word", 0.3, joined), GapTruth(1, 2, "letter", 0.3)),
    )
    rows = tuple(GapRecord(1, k, k + 1, "word", 2, 0.5, 0.5, 0.8 / k, 0.1, None) for k in (1, 2))
    found = replace(record(seen(0, "ש"), seen(1, "ר"), seen(2, "ב")), gaps=rows)
    match = match_page(truth.letters, found.glyphs)
    cases = gather_gap_cases(truth, found, match, "words_joined")
    assert cases.p.tolist() == [0.8]
    assert cases.plainness.tolist() == [0.9]

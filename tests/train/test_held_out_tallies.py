"""What the held-out suite counts, against pages and records counted by hand."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from crownlet.datasets.coco.truth import DefectMark, LetterTruth, PageTruth
from crownlet.datasets.files.images import ImageFacts
from crownlet.datasets.render.page.spec import clean
from crownlet.infer.records import GlyphRecord, PageRecord
from crownlet.train.evaluation.held_out import FORM_DEFECT, LetterTally, RouteTally
from crownlet.train.evaluation.matching import match_page
from crownlet.train.evaluation.workers import ReadingJob, ReadPage
from crownlet.train.evaluation.worst import draw_sheet, find_wrong_letters

NO_IMAGE = np.zeros((0, 0), np.uint8)
META: dict[str, object] = {"hand": 1, "device": "camera", "style": "vellish", "body": 40.0}


def written(place: int, letter: str, *marks: DefectMark) -> LetterTruth:
    x = 200.0 - 10 * place
    return LetterTruth(letter, letter, 0, 0, place, (x, 0, x + 8, 12), (x + 4, 0, 12, 0), 0, marks)


def seen(place: int, letter: str, *poor: str) -> GlyphRecord:
    x = 200.0 - 10 * place
    return GlyphRecord(
        place + 1, 1, 1, place + 1, letter, 0.9, letter, (x, 0, x + 8, 12), (x + 4, 0, 12, 0),
        0, None, {}, not_examined=poor,
    )  # fmt: skip


def read(letters: list[LetterTruth], glyphs: list[GlyphRecord], *unresolved: str) -> ReadPage:
    record = PageRecord(
        "p", ImageFacts("p", 300, 20, "L", "PNG"), tuple(glyphs), (), None, 0, unresolved=unresolved
    )
    page = PageTruth(NO_IMAGE, tuple(letters), meta=META)
    return ReadPage(ReadingJob(clean(), 1), page, (record,))


def rates(tally: LetterTally) -> dict[str, object]:
    legible = tally.card()["where_the_picture_carries_a_reading"]
    assert isinstance(legible, dict)
    return legible


def test_letters_are_left_out_by_their_picture_and_not_by_how_they_were_read() -> None:
    # Of 5 letters, the 2nd and 4th are blurred, one misread and one not; the 5th is misread.
    letters = [written(k, "ב") for k in range(5)]
    glyphs = [
        seen(0, "ב"),
        seen(1, "כ", FORM_DEFECT),
        seen(2, "ב"),
        seen(3, "ב", FORM_DEFECT),
        seen(4, "כ"),
    ]
    tally = LetterTally()
    tally.add(read(letters, glyphs))
    assert tally.errors.rate == 2 / 5
    assert rates(tally) == {
        "letters": 3, "letter_error_rate": 1 / 3, "errors": 1, "share_left_out": 2 / 5,
    }  # fmt: skip


def test_a_letter_not_found_counts_unless_the_whole_page_is_unresolved() -> None:
    letters = [written(k, "ב") for k in range(4)]
    tally = LetterTally()
    tally.add(read(letters, [seen(k, "ב") for k in range(3)]))
    assert rates(tally)["letter_error_rate"] == 1 / 4
    tally = LetterTally()
    tally.add(read(letters, [seen(k, "ב", FORM_DEFECT) for k in range(3)], FORM_DEFECT))
    assert rates(tally)["letters"] == 0
    assert tally.errors.rate == 1 / 4


def test_a_refused_page_has_lost_all_its_letters_in_both_rates() -> None:
    tally = LetterTally()
    tally.add(replace(read([written(k, "ב") for k in range(4)], []), records=None))
    assert tally.errors.rate == tally.legible.rate == 1.0
    assert tally.card()["pages_refused"] == 1


def test_letters_of_doubtful_class_are_counted_apart() -> None:
    letters = [replace(written(0, "ד"), other="ר", share=0.4), written(1, "ב")]
    tally = LetterTally()
    tally.add(read(letters, [seen(0, "ר"), seen(1, "ב")]))
    assert (tally.errors.true, tally.errors.errors) == (1, 0)
    card = tally.card()
    assert card["share_doubtful_in_class"] == 0.5
    assert card["by_device"] == {"camera": {"letters": 1, "letter_error_rate": 0, "errors": 0}}
    assert list(card["by_body_px"]) == ["35-45"]  # type: ignore[call-overload]


def test_routes_tell_sound_letters_from_faulty_ones() -> None:
    plain, doubtful = DefectMark("part_loose", 0.3, 1.0), DefectMark("part_loose", 0.1, 0.5)
    truth = [written(0, "ה", plain), written(1, "ה", doubtful), written(2, "ה"), written(3, "ה"),
             written(4, "ה", plain)]  # fmt: skip
    p = {"part_loose": 0.5}
    review = {"route": "review", "reasons": ("shape_doubt", "part_loose")}
    glyphs = [replace(seen(k, "ה"), p=p) for k in range(5)]
    glyphs[2] = replace(glyphs[2], **review)  # type: ignore[arg-type]
    glyphs[4] = replace(glyphs[4], not_examined=("part_loose",))
    tally = RouteTally()
    tally.add(truth, glyphs, match_page(truth, glyphs))
    card = tally.card()
    assert (card["clear"], card["review"]) == (4 / 5, 1 / 5)
    sound = card["letters_without_fault"]
    assert isinstance(sound, dict)
    assert (sound["letters"], sound["review"]) == (2, 1 / 2)
    assert sound["first_reasons_of_review"] == {"shape_doubt": 1}
    # The first letter's plain fault was cleared; the last one's picture did not show it.
    assert (card["letters_with_plain_faults"], card["of_them_cleared"]) == (1, 1.0)
    assert card["plain_faults_cleared"] == {"part_loose": 1}
    assert card["plain_faults_not_examined"] == 1
    # A doubt that a statement asks about, or that the customs accept, is not cleared.
    for field in ("shared_doubts", "accepted_doubts"):
        aside = [replace(glyphs[0], **{field: ("part_loose",)}), *glyphs[1:]]
        tally = RouteTally()
        tally.add(truth, aside, match_page(truth, aside))
        assert tally.card()["of_them_cleared"] == 0.0


def test_the_sheet_shows_each_error_once_the_surest_first(tmp_path: Path) -> None:
    letters = [written(0, "ב"), written(1, "ד"), replace(written(2, "ו"), share=0.3)]
    glyphs = [replace(seen(0, "כ"), letter_p=0.6), seen(2, "ז"), seen(9, "י")]
    wrong = find_wrong_letters([read(letters, glyphs)])
    assert [w.label for w in wrong] == ["- > yud 0.90", "bet > kaf 0.60", "dalet > - 0.00"]
    sheet = cv2.imread(str(draw_sheet(wrong, tmp_path / "sheet.png")))
    assert sheet is not None
    # Three tiles with ink, each in its own eighth of the row, and nothing in the other five.
    inked = [(part < 200).any() for part in np.array_split(sheet, 8, axis=1)]
    assert inked == [True] * 3 + [False] * 5

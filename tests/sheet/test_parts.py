"""What a sheet is made of: turns, Names in words, numbers in words, marks, examples."""

from __future__ import annotations

import colorsys
from dataclasses import replace
from functools import partial
from pathlib import Path

import cv2
import numpy as np
import pytest
import sheet_samples as made

from crownlet.datasets.files.images import ImageFacts
from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.infer.records import GapRecord, Measurement, PageRecord
from crownlet.infer.sheet import wording as words
from crownlet.infer.sheet.decisions import ShownDecision, state_of
from crownlet.infer.sheet.page import PlaceToMark, place_marks
from crownlet.infer.sheet.pictures import lighten
from crownlet.infer.sheet.render import choose_file_names
from crownlet.infer.sheet.upright import QuarterTurn
from crownlet.infer.sheet.veil import VeiledPage, find_name_glyphs, spell_place, veil_word
from crownlet.infer.sheet.wellformed import CleanLetterFinder, has_crowns_of_drawing

ROTATE = {90: cv2.ROTATE_90_CLOCKWISE, 180: cv2.ROTATE_180, 270: cv2.ROTATE_90_COUNTERCLOCKWISE}


@pytest.mark.parametrize("degrees", [0, 90, 180, 270])
def test_turns_undo_opencv_s(degrees: int) -> None:
    upright = np.arange(5 * 8 * 3, dtype=np.uint8).reshape(5, 8, 3)
    page = cv2.rotate(upright, ROTATE[degrees]) if degrees else upright
    turn = QuarterTurn.upright(float(degrees), page.shape[1::-1])
    assert (turn.view(page) == upright).all()
    assert turn.size == (8, 5)
    # A pixel keeps its place: its middle, found by its value.
    for y, x in ((0, 0), (1, 6), (4, 7)):
        row, column = np.argwhere((page == upright[y, x]).all(axis=-1))[0]
        assert turn.point(column + 0.5, row + 0.5) == (x + 0.5, y + 0.5)
        assert turn.box((column, row, column + 1, row + 1)) == (x, y, x + 1, y + 1)


@pytest.mark.parametrize(
    ("word", "start", "written"),
    [
        ("יהוה", 0, "ה׳"),
        ("ליהוה", 1, "לה׳"),
        ("אלהיכם", 0, "אלקיכם"),
        ("ואלהינו", 1, "ואלקינו"),
        ("שדי", 0, "ש־די"),
        ("יהה", 0, "ה׳"),
    ],
)
def test_names_as_commonly_written(word: str, start: int, written: str) -> None:
    """Common practice of scribes and printers, no printed source."""
    assert veil_word(word, start) == written


def record(letters: list[object]) -> PageRecord:
    facts = ImageFacts("x.png", 1240, 560, "RGB", "PNG")
    return PageRecord("x", facts, tuple(letters), (), None, 0)  # type: ignore[arg-type]


def test_names_found_by_spelling() -> None:
    """Ten Names stand in a mezuzah, 45 letters with their endings (counted; Keset 11:7), and
    "other gods", of the same stem, is none."""
    from crownlet.datasets.scribal.texts import load_portion

    text = load_portion("mezuzah")
    assert text.lines is not None
    letters = made.glyphs([" ".join(line) for line in text.lines])
    bare = [replace(g, in_name=False, expected=None) for g in letters]
    found = find_name_glyphs(record(bare))
    assert {n - 1 for n in found} == text.name_letters
    assert len(found) == 45


def test_the_letter_is_marked_in_its_word() -> None:
    letters = made.glyphs()
    line = [g for g in letters if g.line == 3]
    shown = spell_place(line, {line[7].glyph}, ())
    assert shown.word == 2
    word = shown.words[1]
    assert (word.before, word.marked, word.after) == ("ה", "א", "לה")


@pytest.mark.parametrize(
    ("p", "expected"),
    [(0.9999, "all but sure (above 0.99)"), (0.95, "sure (0.95)"), (0.5, "undecided (0.50)")],
)
def test_odds_in_words(p: float, expected: str) -> None:
    assert words.probability_words(p) == expected


def test_a_finding_is_not_called_undecided() -> None:
    """Of some defects the threshold of a finding lies at a half, by the calibration."""
    assert words.probability_words(0.53, sure=True) == "enough for a finding (0.53)"
    assert words.probability_words(0.95, sure=True) == "sure (0.95)"


def test_network_and_measure_may_disagree() -> None:
    from crownlet.datasets.scribal.customs import load_customs
    from crownlet.infer.findings.collect import collect_findings

    page = record(made.glyphs(doubts={31: ("foot_level", "finding", 0.95)}))
    finding = collect_findings(page, load_customs())[0]
    seen = Measurement(31, "foot_drop", 0.3, 0.2, (0, 0), (0, 4), "foot_level", "not_there")
    assert words.is_disagreement(replace(finding, measurements=(seen,)))
    assert not words.is_disagreement(replace(finding, measurements=(replace(seen, claim="there"),)))
    assert words.measurement_lines([seen]) == (
        "foot drop a quarter of a pen width, 0.2 mm; speaks against it",
    )


def test_disputes_are_stated() -> None:
    """Missing tags: the Shulchan Aruch and others differ (OC 36:3; MB 36:15)."""
    assert words.sources_differ(CATALOGUE["tag_missing"].opinions_on("ש"))
    assert not words.sources_differ(CATALOGUE["foot_level"].opinions_on("ג"))


def test_marks_keep_apart_and_on_the_page() -> None:
    part = (0.0, 0.0, 600.0, 400.0)
    spots = [
        PlaceToMark(str(k), f"f-{k}", "finding" if k % 2 else "review", (x, y, x + 24, y + 42))
        for k, (x, y) in enumerate((x, y) for y in (0, 120, 240, 350) for x in range(0, 580, 60))
    ]
    marks = place_marks(spots, QuarterTurn(0, 600, 400), part, 14.0)
    assert {m.label for m in marks} == {s.label for s in spots}
    for k, mark in enumerate(marks):
        x0, y0, x1, y1 = mark.tab
        assert x0 >= 0 and x1 <= 600 and y0 >= 0 and y1 <= 400
        for a0, b0, a1, b1 in (other.tab for other in marks[:k]):
            assert x0 >= a1 or x1 <= a0 or y0 >= b1 or y1 <= b0


def test_the_clearest_letter_is_the_example() -> None:
    letters = made.glyphs()
    lameds = [g for g in letters if g.letter == "ל" and not g.in_name]
    assert len(lameds) > 2
    doubted = [
        replace(g, p={**g.p, "part_loose": 0.6}) if g.letter == "ל" and g is not lameds[1] else g
        for g in letters
    ]
    pixels = made.picture(doubted)
    x0, y0, x1, y1 = (round(v) for v in lameds[1].box)
    pixels[y0:y1, x0:x1] = 120  # The clearest letter is the palest: clearness goes before looks.
    page = VeiledPage(record(doubted), lambda: pixels)
    example = CleanLetterFinder([page]).find_letter("ל", "part_loose", page)
    assert example is not None
    assert example.letters == (lameds[1],)
    aside = {"shared_doubts": ("ink_lost",)}, {"accepted_doubts": ("tag_bare",)}
    for change in ({"route": "review"}, *aside):
        raised = [replace(g, **change) if g.letter == "ל" else g for g in doubted]
        again = VeiledPage(record(raised), partial(made.picture, raised))
        assert CleanLetterFinder([again]).find_letter("ל", "part_loose", again) is None


@pytest.mark.parametrize(("pair", "shown"), [("הד", "הד"), ("דב", "שב"), ("קק", "שב")])
def test_a_contact_is_held_beside_the_same_letters_apart_in_one_word(pair: str, shown: str) -> None:
    letters = made.glyphs(["הד שב", "אהדם תה דם"])
    odds = {(1, 2): 0.02, (3, 4): 0.01, (2, 3): 0.0}  # The last is the gap between two words.
    gaps = tuple(
        GapRecord(1, a, b, None, 8.0, 1.0, 1.0, 0.1 if p == 0 else None, None if p == 0 else 0.1, p)
        for (a, b), p in odds.items()
    )
    page = VeiledPage(replace(record(letters), gaps=gaps), lambda: made.picture(letters))
    example = CleanLetterFinder([page]).find_gap(pair, "letters_touch", page)
    assert example is not None
    assert "".join(g.letter for g in example.letters) == shown


def test_file_names_are_safe_and_distinct() -> None:
    names = ["a/b", "A_b", "..", "index", "קלף א", "x" * 300, "con/../../etc"]
    files = choose_file_names(names)
    assert len({f.casefold() for f in files.values()}) == len(names)
    for file in files.values():
        assert "/" not in file and not file.startswith(".") and len(file) < 100
    assert "index.html" not in files.values()
    assert files["קלף א"] == "קלף_א.html"


def test_sheets_load_nothing_and_run_nothing() -> None:
    """A content policy (W3C, Content Security Policy 3) stands before everything that it rules."""
    from crownlet.infer.sheet import render

    folder = Path(render.__file__).parent / "templates"
    for path in (folder / "base.html", folder.parents[1] / "survey" / "templates" / "report.html"):
        text = path.read_text("utf-8")
        policy = text.partition('Content-Security-Policy" content="')[2].partition('">')[0]
        assert policy.startswith("default-src 'none'; ") and "script" not in policy
        assert text.index("Content-Security-Policy") < text.index("<title>")


def test_lightening_keeps_the_hue() -> None:
    """Hue by the standard library's colorsys (Smith 1978), in degrees."""
    ink, skin = (96, 60, 40), (205, 175, 130)
    page = np.full((40, 40, 3), skin, np.uint8)
    page[10:20, 10:20] = ink
    light = lighten(page)

    def hue(pixel: object) -> float:
        return 360 * colorsys.rgb_to_hsv(*(float(v) / 255 for v in np.asarray(pixel)))[0]

    for at, before in (((15, 15), ink), ((30, 30), skin)):
        assert hue(light[at]) == pytest.approx(hue(before), abs=3)
    assert light[30, 30].mean() > 210
    assert light[15, 15].mean() < light[30, 30].mean() - 80


def test_books_are_spelled_out_once() -> None:
    spelled: set[str] = set()
    first = words.spell_out_books("MB 36:13; Keset 5:4", spelled)
    assert first == "Mishnah Berurah (MB) 36:13; Keset HaSofer (Keset) 5:4"
    assert words.spell_out_books("MB 36:13; OC 32:17", spelled) == (
        "MB 36:13; Shulchan Aruch, Orach Chayim (OC) 32:17"
    )


def test_an_example_with_other_crowns_than_the_drawing_is_not_called_well_formed() -> None:
    """One tag on bet under customs that expect it (Mishnat Sofrim bet)."""
    from crownlet.datasets.scribal.customs import load_customs

    bet = next(g for g in made.glyphs() if g.letter == "ב")
    for tags, customs, like in (
        (1, "beit_yosef", True), (0, "beit_yosef", False), (0, "unspecified", False),
        (1, "unspecified", True),
    ):  # fmt: skip
        letter = replace(bet, tags_seen=tags)
        assert has_crowns_of_drawing(letter, load_customs(customs)) is like


@pytest.mark.parametrize(
    ("choices", "state"),
    [
        ((), "open"), (("present",), "confirmed"), (("not_present",), "rejected"),
        (("present", "not_present"), "confirmed"), (("cannot_tell",), "unsettled"),
        (("authority",), "unsettled"),
    ],
)  # fmt: skip
def test_what_readers_made_of_a_place(choices: tuple[str, ...], state: str) -> None:
    made_of = [ShownDecision(c, c, "", "anna", "2026-11-30", "") for c in choices]
    assert state_of(made_of) == state

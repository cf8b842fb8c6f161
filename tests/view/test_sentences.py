"""Sentences of the tables, made by the code that writes them, and told again in Hebrew.

Each is found whole: none stays English, whatever letters and numbers stand in it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import pytest

from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.catalogue import CATALOGUE, GLYPH_DEFECTS
from crownlet.infer.findings.customs import RECORDED_ONLY, SETTINGS_NEEDING_TEXT
from crownlet.infer.findings.customs import accepted_message as accepted
from crownlet.infer.findings.messages import (
    READING_KINDS,
    absent_message,
    gap_message,
    letter_message,
)
from crownlet.infer.habits.doubts import _sentence as in_doubt
from crownlet.infer.habits.statements import describe_habit, habit_phrase
from crownlet.infer.habits.unlike import FORM_KINDS
from crownlet.infer.habits.widespread import _sentence as widespread
from crownlet.infer.hand.adapt import NO_HIDDEN_OUTPUT, NO_TEXT, SWITCHED_OFF, hand_notes
from crownlet.infer.hand_records import HabitLetter, HandForm, HandRecord
from crownlet.infer.letters.refusal import (
    DARK_TEXT,
    OVEREXPOSED_TEXT,
    only_read_sentence,
    page_sentences,
    slant_sentences,
)
from crownlet.infer.quality.familiarity import LIKE_TYPE, UNLIKE_HAND
from crownlet.infer.records import GapRecord, GlyphRecord
from crownlet.infer.routing.judgement import Tally
from crownlet.infer.routing.not_examined import DOUBTFUL_SCRIPT, NOT_LEARNED, WITHOUT_TEXT
from crownlet.infer.scrolls.habits import _phrase as scroll_phrase
from crownlet.infer.scrolls.scroll import CrownCounts, FormCrowns, FormEvenness
from crownlet.infer.scrolls.wording import (
    describe_comparison,
    describe_size_change,
    describe_uncounted,
    describe_uneven_form,
)
from crownlet.infer.text.discrepancies import _sentence as discrepancy
from crownlet.infer.thresholds import GROUP_WORDS, load_thresholds, weights_folder
from crownlet.infer.view.language import SENTENCE_CONTEXT, catalogue
from crownlet.infer.view.sentences import sentence_forms, translate_sentence
from crownlet.infer.view.wording import NEVER_EXAMINED, defect_words

CODE = tuple(Path(__file__).resolve().parents[2] / room for room in ("infer", "datasets"))


def glyph(letter: str = "ש", number: int = 1, **changes: object) -> GlyphRecord:
    made = GlyphRecord(
        glyph=number, line=3, word=2, place=1, letter=letter, letter_p=0.9, expected=letter,
        box=(0.0, 0.0, 30.0, 40.0), body=(15.0, 0.0, 30.0, 0.0), tags_seen=0, tags_expected=3,
        p={}, in_name=False,
    )  # fmt: skip
    return replace(made, **changes)  # type: ignore[arg-type]


def gap(width: float) -> GapRecord:
    return GapRecord(
        line=1, right_glyph=1, left_glyph=2, width_px=5.0, width_q=0.5, width_yud=width,
        expected="word", p_words_joined=0.9, p_word_parted=None, p_letters_touch=None,
    )  # fmt: skip


def of_letters() -> Iterable[str]:
    for sure in (True, False):
        for kind in (*GLYPH_DEFECTS, *READING_KINDS):
            for seen, expected in ((0, 3), (1, 3), (2, 3), (3, 3), (0, 1), (1, 1), (4, 1)):
                yield letter_message(
                    kind, glyph("ם", expected="ס", tags_seen=seen, tags_expected=expected), sure
                )
        for kind in ("words_joined", "word_parted", "letters_touch"):
            yield gap_message(kind, gap(0.43), "ש", "ם", sure)
            yield gap_message(kind, gap(0.0), "ש", "ם", sure)
    yield absent_message("שמע", 4, True)
    yield absent_message("ש", 4, False)
    yield absent_message("שמ", 4, False)


def of_hands() -> Iterable[str]:
    rows = [HabitLetter("ש", 6, 7), HabitLetter("ם", 3, 9)]
    glyphs = [glyph(number=n, tags_seen=n % 2) for n in range(1, 10)]
    bare = [glyph(number=n) for n in range(1, 4)]
    for defect in ("tag_missing", "tag_excess", "corner_rounded", "letters_touch"):
        for kind in ("habit", "unsteady", "repeated"):
            for letters in (rows, rows[:1], [HabitLetter("", 8, 9)], [HabitLetter("ש", 1, 7)]):
                for doubted in (0, 4):
                    for exceptions in ([], bare[:1], glyphs):
                        for listed in ([], rows[:1], letters):
                            for sure in (True, False):
                                yield describe_habit(
                                    defect, kind, letters, bare if doubted else glyphs, doubted,  # type: ignore[arg-type]
                                    exceptions, listed, sure,
                                )  # fmt: skip
    for kind in ("ink_lost", "overstretched"):
        for alone in (0, 1, 5):
            yield widespread(kind, rows, 9, 16, alone)
    for defect in sorted(FORM_KINDS):
        yield in_doubt(habit_phrase(defect, [glyph(tags_expected=3)]), rows, 9, 16)
    for defect, tags in (("tag_missing", 3), ("tag_excess", 1), ("heel_missing", None)):
        phrase = scroll_phrase(defect, tags)
        for names in ("", " (shin)", " (shin, final mem and yud)"):
            for start in (phrase, f"all pages together: {phrase}"):
                opening = f"{start[0].upper()}{start[1:]}{names}: on the face 3 of 9"
                yield from (f"{opening}.", f"{opening}, on the reverse 0 of 4.")


def of_scrolls() -> Iterable[str]:
    full, none = (
        CrownCounts(9, 9, 0, 0, 0, 0, None, None),
        CrownCounts(9, 0, 0, 2, 0, 0, None, None),
    )
    some = CrownCounts(9, 4, 2, 0, 1, 3, None, None)
    sides = {"reverse_only": (none, full), "face_only": (full, none), "both": (full, full),
             "neither": (none, none), "mixed": (some, some)}  # fmt: skip
    for letters in ("ש", "שדי"):
        for name, (face, reverse) in sides.items():
            forms = [FormCrowns(each, 3, face, reverse, name, "") for each in letters]  # type: ignore[arg-type]
            yield from describe_comparison(forms, 0.2, 0.01)
            yield from describe_comparison(forms, 0.01, 0.2)
    yield from describe_comparison([], 1.0, 1.0)
    yield from describe_uncounted("שד")
    yield describe_size_change(30.0, 33.0)
    yield describe_size_change(33.0, 30.0)


def of_pages() -> Iterable[str]:
    for name in ("tag_form", "final_kaf_top"):
        for count in (Tally(0, 3, 0), Tally(1, 0, 0), Tally(4, 2, 0)):
            yield accepted(name, count)
    yield f"settings recorded but not examined: {', '.join(RECORDED_ONLY.values())}"
    yield f"settings that need the page's portion by name: {', '.join(SETTINGS_NEEDING_TEXT)}"
    yield DOUBTFUL_SCRIPT.format(0.41)
    yield WITHOUT_TEXT
    yield from (NOT_LEARNED.format(defect_words(name)) for name in CATALOGUE)
    yield from NEVER_EXAMINED
    yield from slant_sentences(30.0)
    yield from slant_sentences(5.0)
    yield only_read_sentence(14.0, 20.0)
    yield only_read_sentence(40.0, 11.0)
    yield from page_sentences(0.0, 12, 13)
    yield from (OVEREXPOSED_TEXT, DARK_TEXT.format(12))
    for words in GROUP_WORDS.values():
        yield f"{words}: edges of at most 0.40 kulmus needed, here 0.62"
        yield (
            f"{words} of 12 of 700 letters: a resolution of 12 px per kulmus needed, here 9.1; "
            "glare over at most 10% of a letter, here 31%"
        )
    kinds = (
        "letters_absent", "words_absent", "words_doubled", "lines_extra", "words_exchanged",
        "words_extra", "letters_extra",
    )  # fmt: skip
    for kind in kinds:
        for words in ("שמע", "שמע ישראל ואהבת"):
            yield discrepancy(kind, words, 7, "שמע")  # type: ignore[arg-type]
    for kind in ("letter_absent", "letter_doubled", "letter_extra"):
        yield discrepancy(kind, "ש", 7, "שמע") + ", or outside the picture"  # type: ignore[arg-type]
    yield (
        discrepancy("letters_exchanged", "שמ", 7, "שמע") + "; sources differ in the spelling here."
    )
    yield from (SWITCHED_OFF, NO_HIDDEN_OUTPUT, NO_TEXT, UNLIKE_HAND, LIKE_TYPE)
    for pages in ("this page", "3 pages of this scroll"):
        yield (
            f"The page was read again by the hand's own forms, learned from 972 letters of {pages} "
            "that the text confirms; letters that are now read otherwise: 70."
        )
    for still in (0, 4):
        forms = (HandForm("ש", 20, 9, still, "ע"),)
        yield from hand_notes(HandRecord(True, NO_TEXT, forms=forms))
    yield from load_thresholds(weights_folder()).promise.limits[:2]  # type: ignore[union-attr]


@pytest.mark.parametrize("maker", [of_letters, of_hands, of_scrolls, of_pages])
def test_what_the_code_writes_is_translated_whole(maker: object) -> None:
    sentences = sorted(set(maker()))  # type: ignore[operator]
    assert len(sentences) > 10
    untold = [text for text in sentences if translate_sentence("he", text) is None]
    assert untold == []
    translated = [
        re.sub("\u2066[^\u2069]*\u2069", "", translate_sentence("he", each) or "")
        for each in sentences
    ]
    english = [text for text in translated if re.search("[a-z]{2,}", text)]
    assert english == []


def test_no_sentence_is_left_over() -> None:
    """Every word of a sentence stands in some string of the code that writes tables."""
    code = " ".join(
        path.read_text(encoding="utf-8") for room in CODE for path in room.rglob("*.py")
    )
    code += (weights_folder() / "thresholds.yaml").read_text(encoding="utf-8")
    known = set(re.findall(r"[A-Za-z']+", code))
    begin = SENTENCE_CONTEXT + "\x04"
    table = catalogue("he")._catalog  # type: ignore[attr-defined]
    for key in table:
        if isinstance(key, str) and key.startswith(begin):
            words = re.findall(r"[A-Za-z']+", re.sub(r"{\w+}", " ", key.removeprefix(begin)))
            assert set(words) <= known, key


def test_all_letters_have_names_in_sentences() -> None:
    for letter in LETTERS:
        translated = translate_sentence("he", letter_message("leg_short", glyph(letter), True))
        assert translated and translated.endswith(": רגל קצרה.")


def test_longer_forms_are_tried_first() -> None:
    forms = [re.sub(r"{\w+}", "", form.message) for form in sentence_forms("he")]
    assert [len(form) for form in forms] == sorted((len(form) for form in forms), reverse=True)


def test_uneven_forms_are_stated() -> None:
    uneven = (
        "3 of 9 with its crown", "width 3.1 kulmus in the middle, half of them 0.20 kulmus or more "
        "off it", "crowned as the form asks: 3 of 9 in the first lines, 0 of 8 in the last",
        "height 3.0 kulmus in the first lines, 3.4 in the last",
    )  # fmt: skip
    form = FormEvenness.__new__(FormEvenness)
    for name, value in (("letter", "ש"), ("letters", 9), ("uneven", uneven)):
        object.__setattr__(form, name, value)
    assert translate_sentence("he", describe_uneven_form(form)) is not None

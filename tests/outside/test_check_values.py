"""The texts and the alphabet against published counts, rules and spellings.

Sources: YD, OC = Shulchan Aruch, Yoreh De'ah and Orach Chayim; Tur; Keset = Keset HaSofer;
Rambam = Mishneh Torah, Laws of Tefillin, Mezuzah and Torah Scroll; MS = Mishnat Sofrim;
MB = Mishnah Berurah. "counted" values were counted outside this project, from the Westminster
Leningrad Codex (npm morphhb 2.0.2) with the one correction of Rambam 2:6; 713, 170 and 3188 are
also commonly stated.
"""

from __future__ import annotations

import unicodedata
from collections import Counter

import pytest

from crownlet.datasets.scribal.alphabet import (
    ALPHABET,
    BY_CHAR,
    BY_SLUG,
    LETTERS,
    ONE_TAG,
    THREE_TAGS,
)
from crownlet.datasets.scribal.portion import Portion
from crownlet.datasets.scribal.texts import TEFILLIN, load_portion, tefillin_lines

NAME = "".join(BY_SLUG[slug].char for slug in ("yud", "he", "vav", "he"))
"""The four-letter Name, put together so that it need not be printed here."""


@pytest.fixture(scope="module")
def mezuzah() -> Portion:
    return load_portion("mezuzah")


@pytest.fixture(scope="module")
def tefillin() -> list[Portion]:
    return [load_portion(name) for name in TEFILLIN]


def per_line(text: Portion, letters: str = LETTERS) -> list[int]:
    assert text.lines is not None
    return [sum(char in letters for word in line for char in word) for line in text.lines]


def crowned(text: Portion, crown: int) -> int:
    return sum(BY_CHAR[char].crown == crown for char in text.letters)


# ------------------------------------------------------------------------------------- mezuzah


def test_letters_words_and_lines_of_the_mezuzah(mezuzah: Portion) -> None:
    assert mezuzah.lines is not None
    assert len(mezuzah.letters) == 713  # counted; commonly stated
    assert len(mezuzah.words) == 170  # counted; commonly stated
    assert len(mezuzah.lines) == 22  # YD 288:11; Keset 27:5; Tur YD 288


def test_lines_of_the_mezuzah_begin_as_the_tur_lists(mezuzah: Portion) -> None:
    # Tur YD 288; line 2 begins with the four-letter Name.
    beginnings = (
        f"שמע {NAME} הדברים לבניך ובשכבך בין והיה מצוה בכל יורה עשב פן והשתחויתם השמים ואבדתם "
        "ושמתם אתם אתם בדרך ובשעריך אשר על"
    )
    assert mezuzah.lines is not None
    assert [line[0] for line in mezuzah.lines] == beginnings.split()
    assert mezuzah.lines[-1] == ("על", "הארץ")  # YD 288:10-11: two words on the last line


def test_second_portion_opens_line_seven(mezuzah: Portion) -> None:
    assert mezuzah.lines is not None
    words_before = sum(len(line) for line in mezuzah.lines[:6])
    assert mezuzah.opens == {words_before}  # Keset 27:3, 27:5; Tur YD 288


def test_letters_by_line(mezuzah: Portion) -> None:
    # counted, by the Tur's line beginnings
    assert per_line(mezuzah) == [
        *(32, 36, 37, 32, 36, 32, 28, 35, 34, 36, 31),
        *(32, 31, 33, 34, 35, 38, 32, 34, 36, 33, 6),
    ]
    full = per_line(mezuzah)[:21]
    assert (full.index(max(full)) + 1, full.index(min(full)) + 1) == (17, 7)  # counted


def test_words_by_line(mezuzah: Portion) -> None:
    assert mezuzah.lines is not None
    assert [len(line) for line in mezuzah.lines] == [  # counted
        *(8, 9, 9, 7, 8, 7, 8, 8, 8, 7, 7, 7, 8, 9, 9, 9, 9, 8, 7, 8, 8, 2),
    ]


def test_crowned_letters_by_line(mezuzah: Portion) -> None:
    assert per_line(mezuzah, THREE_TAGS) == [  # counted
        *(4, 2, 7, 2, 5, 8, 7, 2, 6, 6, 6, 2, 3, 3, 6, 6, 6, 2, 4, 6, 5, 2),
    ]
    assert per_line(mezuzah, ONE_TAG) == [  # counted
        *(13, 13, 11, 13, 9, 9, 5, 13, 6, 8, 7, 10, 10, 12, 11, 7, 9, 11, 9, 13, 11, 1),
    ]


def test_crowns_of_the_mezuzah(mezuzah: Portion) -> None:
    counts = Counter(mezuzah.letters)
    three = [counts[char] for char in "שעטנןזגצץ"]
    one = [counts[char] for char in "בדקחיה"]
    assert three == [31, 25, 7, 18, 6, 4, 1, 6, 2]  # counted; the letters: Menachot 29b
    assert one == [66, 18, 5, 4, 61, 57]  # counted; the letters: MS under each
    assert (crowned(mezuzah, 3), crowned(mezuzah, 1)) == (100, 211)  # counted
    tags = sum(BY_CHAR[char].crown for char in mezuzah.letters)
    assert tags == 511  # counted; custom
    assert tags + 2 * counts["ל"] == 615  # counted; two on each of 52 lameds, MS lamed


def test_pieces_and_rings_of_a_perfect_face(mezuzah: Portion) -> None:
    assert sum(BY_CHAR[char].pieces for char in mezuzah.letters) == 775  # OC 36:2; counted
    assert sum(BY_CHAR[char].rings for char in mezuzah.letters) == 44  # Keset 5:3; counted


def test_final_letters_of_the_mezuzah(mezuzah: Portion) -> None:
    counts = Counter(mezuzah.letters)
    assert [counts[char] for char in "ךםןףץ"] == [30, 42, 6, 1, 2]  # counted


def test_words_of_the_mezuzah(mezuzah: Portion) -> None:
    counts = Counter(mezuzah.words)
    lengths = [len(word) for word in mezuzah.words]
    assert len(counts) == 116  # counted
    assert counts.most_common(1) == [("על", 8)]  # counted
    assert (min(lengths), max(lengths)) == (2, 9)  # counted
    assert mezuzah.lines is not None
    assert len(mezuzah.lines[12][0]) == 9  # counted: the longest opens line 13


def test_old_crown_list_of_the_mezuzah_names_letters_that_are_there(mezuzah: Portion) -> None:
    # Rambam 5:3: thirteen letters with three zayins each; words as spelled by Rambam 2:6-7.
    first = {"שמע": "שע", "נפשך": "נ", "מזזות": "זז", "לטטפת": "טט"}
    second = {"דגנך": "ג", "מזוזות": "זז", "לטוטפת": "טט", "הארץ": "ץ"}
    (opening,) = mezuzah.opens
    portions = (mezuzah.words[:opening], mezuzah.words[opening:])
    listed = 0
    for words, crowns in zip(portions, (first, second), strict=True):
        for word, letters in crowns.items():
            assert word in words
            assert [char for char in word if char in set(letters)] == list(letters)
            listed += len(letters)
    assert (listed, 3 * listed) == (13, 39)


# ------------------------------------------------------------------------------------ tefillin


def test_letters_and_words_of_tefillin(tefillin: list[Portion]) -> None:
    letters = [len(text.letters) for text in tefillin]
    words = [len(text.words) for text in tefillin]
    assert letters == [504, 377, 205, 508]  # counted
    assert words == [133, 100, 48, 122]  # counted
    assert (sum(letters), sum(words)) == (1594, 403)  # counted
    assert 2 * sum(letters) == 3188  # commonly stated for arm and head


def test_crowns_of_tefillin(tefillin: list[Portion]) -> None:
    three = sum(crowned(text, 3) for text in tefillin)
    one = sum(crowned(text, 1) for text in tefillin)
    assert (three, 3 * three) == (223, 669)  # counted
    assert 3 * three + one == 1203  # counted; custom


def test_mezuzah_is_the_third_and_fourth_portion(mezuzah: Portion, tefillin: list[Portion]) -> None:
    assert tefillin[2].words + tefillin[3].words == mezuzah.words  # YD 288:11: Deut 6:4-9, 11:13-21


@pytest.mark.parametrize("name", TEFILLIN)
def test_lines_of_tefillin(name: str) -> None:
    arm, head = tefillin_lines(name, "arm"), tefillin_lines(name, "head")
    assert (len(arm), len(head)) == (7, 4)  # Tur OC 35; Keset 20:2
    assert sum(arm, ()) == sum(head, ()) == load_portion(name).words


# --------------------------------------------------------------------------------------- Names


def test_the_four_letter_name(mezuzah: Portion, tefillin: list[Portion]) -> None:
    assert sum(NAME in word for word in mezuzah.words) == 7  # counted
    assert sum(NAME in word for text in tefillin for word in text.words) == 21  # counted


def test_holy_words_and_letters(mezuzah: Portion, tefillin: list[Portion]) -> None:
    assert len(mezuzah.name_words) == 10  # counted: "other gods" is not one
    assert len(mezuzah.name_letters) == 45  # counted; endings share the holiness, Keset 11:7
    assert sum(len(text.name_letters) for text in tefillin) == 101  # counted; prefixes do not


def test_other_gods_are_no_name(mezuzah: Portion) -> None:
    at = mezuzah.words.index("אחרים")
    assert at - 1 not in mezuzah.name_words  # Deut 11:16


# ------------------------------------------------------------------------------------ spelling


@pytest.mark.parametrize(
    ("name", "spellings"),
    [  # Rambam 2:4-7, each once in its portion; the others are the wrong neighbours
        ("kadesh", {"יביאך": 1, "מצת": 1, "מצות": 1, "הוצאך": 1, "הוציאך": 0}),
        ("vehaya_ki_yeviacha", {"יבאך": 1, "ידכה": 1, "ולטוטפת": 1, "ולטוטפות": 0}),
        ("shema", {"מזזות": 1, "מזוזת": 0, "מזוזות": 0, "לטטפת": 1, "לטוטפת": 0}),
        ("vehaya_im_shamoa", {"לטוטפת": 1, "מזוזות": 1, "ותירשך": 1, "ותירושך": 0}),
        ("vehaya_im_shamoa", {"לאבתיכם": 1, "לאבותיכם": 0, "הטבה": 1, "יבולה": 1, "מצותי": 1}),
    ],
)
def test_full_and_defective_spellings(name: str, spellings: dict[str, int]) -> None:
    counts = Counter(load_portion(name).words)
    assert {word: counts[word] for word in spellings} == spellings


def test_position_of_the_word_that_counts_cannot_verify(mezuzah: Portion) -> None:
    # Rambam 2:6: the first vav is absent. Deut 6:9, five words long, is the last verse before the
    # second portion; with its vav and zayin exchanged every count above would stay the same.
    (opening,) = mezuzah.opens
    verse = mezuzah.words[opening - 5 : opening]
    slugs = [BY_CHAR[char].slug for char in verse[2]]
    assert slugs == ["mem", "zayin", "zayin", "vav", "tav"]


def test_large_letters(mezuzah: Portion) -> None:
    # Rambam 2:6: the ayin of the first word and the dalet of the last word of Deut 6:4.
    assert {mezuzah.words[word][place] for word, place in mezuzah.large_letters} == {"ע", "ד"}
    assert mezuzah.large_letters == {(0, 2), (5, 2)}


def test_final_forms_stand_at_word_ends_only(mezuzah: Portion, tefillin: list[Portion]) -> None:
    finals = {letter.char for letter in ALPHABET if letter.final_of}
    bent = {letter.char for letter in ALPHABET if letter.final_form}
    for text in (mezuzah, *tefillin):  # MB 32:71
        assert not any(char in finals for word in text.words for char in word[:-1])
        assert not any(word[-1] in bent for word in text.words)


# ------------------------------------------------------------------------------------- reverse


def test_reverse_letters_follow_the_front_letters(mezuzah: Portion) -> None:
    # Keset 27:7; Tur YD 288: 14 letters, each the next of the alphabet after the one behind which
    # it stands, words 3 to 5 of line 1; the order of the alphabet without the final forms.
    order = [letter.char for letter in ALPHABET if letter.final_of is None]
    front = "".join(mezuzah.words[2:5])
    *fourteen, name = load_portion("mezuzah_reverse").words
    assert [len(word) for word in fourteen] == [4, 6, 4]
    assert "".join(fourteen) == "".join(order[order.index(char) + 1] for char in front)
    assert [BY_CHAR[char].slug for char in name] == ["shin", "dalet", "yud"]  # Rambam 5:4


# ------------------------------------------------------------------------------------ alphabet


def test_names_and_finals_agree_with_unicode() -> None:
    for letter in ALPHABET:
        title = unicodedata.name(letter.char).removeprefix("HEBREW LETTER ")
        assert ("FINAL" in title) == (letter.final_of is not None)
    finals = {letter.final_of: letter.char for letter in ALPHABET if letter.final_of}
    for bent, final in finals.items():  # mantzpach
        assert unicodedata.name(final) == unicodedata.name(bent).replace("LETTER", "LETTER FINAL")


def test_letters_by_crown() -> None:
    # Menachot 29b; OC 36:3; MB 36:13, 36:15: nine with three; MS: six with one; twelve with none.
    assert [sum(letter.crown == n for letter in ALPHABET) for n in (3, 1, 0)] == [9, 6, 12]
    none = {letter.char for letter in ALPHABET if letter.crown == 0}
    assert none == set("מלאכתסופר") | set("ךםף")  # the mnemonic melechet sofer, with finals

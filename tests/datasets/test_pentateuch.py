"""The Pentateuch against published counts, and its passages against the portions.

"From memory": counts that are printed in many places and were not looked up for these tests.
"""

from __future__ import annotations

import gzip
import hashlib
from collections import Counter
from importlib import resources
from pathlib import Path

import pytest

from crownlet.datasets.scribal.alphabet import ALPHABET, BY_SLUG, LETTERS
from crownlet.datasets.scribal.pentateuch import build
from crownlet.datasets.scribal.pentateuch import build as masorah
from crownlet.datasets.scribal.pentateuch.text import (
    BOOKS,
    encode_letters,
    load_pentateuch,
    load_provenance,
    looks_like_passage,
    read_passage,
)
from crownlet.datasets.scribal.texts import load_portion, read_portion

FOLDER = resources.files("crownlet.datasets.scribal.pentateuch")
NAME = "".join(BY_SLUG[slug].char for slug in ("yud", "he", "vav", "he"))


def letters_by_book() -> dict[str, int]:
    text = load_pentateuch()
    counts: Counter[str] = Counter()
    for k, verse in enumerate(text.verses):
        start, stop = (int(text.word_starts[w]) for w in text.verse_starts[k : k + 2])
        counts[verse.split()[0]] += stop - start
    return dict(counts)


def test_letters_by_book_with_the_spellings_of_scrolls() -> None:
    # The text that most scrolls follow: 304,805 letters, by book as here (from memory). Scrolls of
    # different traditions differ in about nine letters (from memory), the codex in many more.
    common = dict(zip(BOOKS, (78064, 63529, 44790, 63530, 54892), strict=True))
    assert sum(common.values()) == 304805
    ours = letters_by_book()
    assert sum(ours.values()) == 304850  # the codex, counted; also commonly stated (from memory)
    for change in load_provenance()["differences"]:
        book = change["verse"].split()[0]
        ours[book] += len(change["there"].replace(" ", "")) - len(change["here"].replace(" ", ""))
    for book, count in common.items():
        assert abs(ours[book] - count) <= 4, book
    assert abs(sum(ours.values()) - 304805) <= 9


def test_verses_by_book() -> None:
    # The sums at the end of each book in the Masora, 5,845 in all (from memory). The source divides
    # the Decalogue into more verses, numbers Num 25:19 apart, and Gen 35:22 as one.
    masora = dict(zip(BOOKS, (1534, 1209, 859, 1288, 955), strict=True))
    assert sum(masora.values()) == 5845
    counts = Counter(verse.split()[0] for verse in load_pentateuch().verses)
    extra = {book: counts[book] - masora[book] for book in BOOKS}
    assert extra == {
        "Genesis": -1, "Exodus": 4, "Leviticus": 0, "Numbers": 1, "Deuteronomy": 4,
    }  # fmt: skip


def test_the_four_letter_name() -> None:
    assert sum(NAME in word for word in load_pentateuch().words) == 1820  # from memory


def test_sections() -> None:
    # Mishneh Torah, Torah Scroll 8: 290 open and 379 closed sections (from memory); the codex marks
    # some more.
    counts = load_provenance()["counts"]
    assert (counts["open_sections"], counts["closed_sections"]) == (293, 394)
    assert abs(counts["open_sections"] - 290) < 10
    assert abs(counts["closed_sections"] - 379) < 20
    assert len(load_pentateuch().opens) <= 293 + 394


def test_first_and_last_words() -> None:
    words = load_pentateuch().words
    assert (words[0], words[-1]) == ("בראשית", "ישראל")
    assert load_pentateuch().verses[0] == "Genesis 1:1"
    assert load_pentateuch().verses[-1] == "Deuteronomy 34:12"


def test_final_forms_stand_at_word_ends_only() -> None:
    finals = {letter.char for letter in ALPHABET if letter.final_of}
    bent = {letter.char for letter in ALPHABET if letter.final_form}
    for word in load_pentateuch().words:  # MB 32:71
        assert not any(char in finals for char in word[:-1])
        assert word[-1] not in bent


def test_codes_are_the_letters_of_the_words() -> None:
    text = load_pentateuch()
    assert "".join(LETTERS[k] for k in text.codes) == "".join(text.words)
    assert (encode_letters("".join(text.words)) == text.codes).all()
    assert text.reference(text.verse_of_letter(0), text.verse_of_letter(27)) == "Genesis 1:1"
    assert text.verse_of_letter(28) == 1  # Genesis 1:1 holds 28 letters (Baal HaTurim, from memory)


@pytest.mark.parametrize(
    ("name", "places"),
    [  # YD 288:11; Shulchan Aruch, OC 34:1
        ("mezuzah", ("Deuteronomy 6:4-9", "Deuteronomy 11:13-21")),
        ("kadesh", ("Exodus 13:1-10",)),
        ("vehaya_ki_yeviacha", ("Exodus 13:11-16",)),
        ("shema", ("Deuteronomy 6:4-9",)),
        ("vehaya_im_shamoa", ("Deuteronomy 11:13-21",)),
        ("tefillin", ("Exodus 13:1-16", "Deuteronomy 6:4-9", "Deuteronomy 11:13-21")),
    ],
)
def test_the_portions_are_passages(name: str, places: tuple[str, ...]) -> None:
    words = tuple(word for place in places for word in read_passage(place).words)
    assert words == load_portion(name).words


def test_large_letters_and_names_of_a_passage_are_those_of_the_portion() -> None:
    text = read_passage("Deut 6:4-9")
    assert text.large_letters == load_portion("shema").large_letters
    assert text.name_words == load_portion("shema").name_words
    assert text.excerpt


def test_sections_open_where_the_masora_has_them() -> None:
    # Exodus 13:11 opens the second portion of tefillin, an open section (OC 32:36).
    text = read_passage("Exodus 13:1-16")
    assert text.opens == {len(load_portion("kadesh").words)}


@pytest.mark.parametrize(
    ("name", "whole"),
    [
        ("Gen 1", "Genesis 1:1-31"),
        ("exodus 40:38 to Leviticus 1:3", "Exodus 40:38 to Leviticus 1:3"),
        ("Num 7:12-17", "Numbers 7:12-17"),
        ("Ex 12:51-13:2", "Exodus 12:51-13:2"),
        ("Deut 34:12", "Deuteronomy 34:12"),
        ("Lev 1-2", "Leviticus 1:1-2:16"),
    ],
)
def test_names_of_passages(name: str, whole: str) -> None:
    assert looks_like_passage(name)
    text = read_portion(name)
    assert text.name == whole
    assert read_portion(text.name) == text


@pytest.mark.parametrize(
    ("name", "cause"),
    [
        ("Gen 51:1", "there is no Genesis 51:1"),
        ("Isaiah 1", "none of the five books"),
        ("Ex 13:5-2", "ends before it begins"),
        ("genesis", "neither a portion"),
    ],
)
def test_passages_that_are_not(name: str, cause: str) -> None:
    with pytest.raises(ValueError, match=cause):
        read_portion(name)


def test_the_data_is_small_and_what_its_provenance_says() -> None:
    packed = (FOLDER / "pentateuch.txt.gz").read_bytes()
    assert len(packed) < 300_000
    assert packed[4:8] == b"\0\0\0\0"  # RFC 1952: no time
    text = gzip.decompress(packed)
    assert hashlib.sha256(text).hexdigest() == load_provenance()["sha256_of_the_text"]
    assert load_provenance()["counts"]["letters"] == len(load_pentateuch().codes)
    assert load_provenance()["counts"]["verses"] == len(load_pentateuch().verses)


def test_other_spellings_are_words_of_the_text() -> None:
    text = load_pentateuch()
    for change in load_provenance()["differences"]:
        start = int(text.verse_starts[text.verses.index(change["verse"])]) + change["word"]
        assert " ".join(text.words[start : start + change["words"]]) == change["here"]


OSIS = """<?xml version="1.0" encoding="utf-8"?>
<osis xmlns="http://www.bibletechnologies.net/2003/OSIS/namespace"><osisText><div>
<chapter osisID="{book}.1"><verse osisID="{book}.1.1">
<w>בְּ/רֵאשִׁ֖ית</w><seg type="x-maqqef">־</seg><w>הוצא</w>
<note type="variant"><catchWord>הוצא</catchWord><rdg type="x-qere"><w>הַיְצֵא</w></rdg></note>
<w>שְׁמַ֖<seg type="x-large">ע</seg></w><seg type="x-sof-pasuq">׃</seg><seg type="x-pe">פ</seg>
</verse></chapter></div></osisText></osis>"""
OTHER = """<?xml version="1.0" encoding="utf-8"?>
<osis xmlns="http://www.bibletechnologies.net/2003/OSIS/namespace"><osisText>
<div type="bookGroup"><div type="book" osisID="Gen"><title>ש</title><chapter/>
<verse osisID="Gen.1.1" sID="Gen.1.1" n="א"/>בְּרֵאשִׁת <seg type="x-ketiv">הוצא</seg> הַיְצֵא שמע׃<verse
eID="Gen.1.1"/></div></div></osisText></osis>"""


@pytest.fixture
def package(tmp_path: Path) -> Path:
    (tmp_path / "wlc").mkdir()
    (tmp_path / "MAPM").mkdir()
    for short in build.ABBREVIATION_OF_BOOK.values():
        file = tmp_path / "wlc" / f"{short}.xml"
        file.write_text(OSIS.format(book=short), encoding="utf-8")
    (tmp_path / "MAPM" / "MAPM.xml").write_text(OTHER, encoding="utf-8")
    return tmp_path


def test_what_is_written_is_taken_and_not_what_is_read(package: Path) -> None:
    verses, large = build.read_package(package)
    assert verses["Genesis 1:1"] == ["בראשית", "הוצא", "שמע", "{p}"]
    assert large[0] == {"verse": "Genesis 1:1", "word": 2, "letter": 2}


def test_places_spelled_otherwise(package: Path) -> None:
    words = {"Genesis 1:1": ["בראשית", "הוצא", "שמע"]}
    assert masorah.find_differences(package, words) == [
        {"verse": "Genesis 1:1", "word": 0, "words": 1, "here": "בראשית", "there": "בראשת"}
    ]

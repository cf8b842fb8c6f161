from __future__ import annotations

import re

import pytest

from crownlet.datasets.scribal.alphabet import ALPHABET, BY_CHAR, BY_SLUG, LETTERS, index_of


def test_class_index_is_the_code_point() -> None:
    assert "".join(chr(point) for point in range(0x5D0, 0x5EB)) == LETTERS
    assert [letter.index for letter in ALPHABET] == [index_of(char) for char in LETTERS]
    assert (index_of("א"), index_of("ת")) == (0, 26)


def test_slugs_are_unique_names_for_columns() -> None:
    assert len(BY_SLUG) == 27
    assert all(re.fullmatch(r"[a-z]+(_final)?", slug) for slug in BY_SLUG)
    assert BY_CHAR["ך"].slug == "kaf_final"
    assert BY_CHAR["ך"].name == "final kaf"


def test_bent_and_final_forms_point_at_each_other() -> None:
    finals = [letter for letter in ALPHABET if letter.final_of]
    assert [letter.char for letter in finals] == list("ךםןףץ")  # mantzpach, by code point
    for letter in finals:
        assert letter.final_of is not None
        assert BY_CHAR[letter.final_of].final_form == letter.char


def test_free_legs_and_rings() -> None:
    # Orach Chayim 36:2: he and kuf only; Keset HaSofer 5:3: samech and final mem only
    assert {letter.char for letter in ALPHABET if letter.pieces == 2} == set("הק")
    assert {letter.char for letter in ALPHABET if letter.rings} == set("סם")


@pytest.mark.parametrize("char", ["a", "", "אב", "\u05bc", "\ufb2a", "״"])
def test_what_is_no_letter_has_no_index(char: str) -> None:
    with pytest.raises(ValueError, match="not one of the 27"):
        index_of(char)

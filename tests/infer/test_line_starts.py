"""Lines that begin elsewhere than the Tur lists (Yoreh De'ah 288; Orach Chayim 35)."""

from __future__ import annotations

import dataclasses

import pytest
import written

from crownlet.datasets.files.images import ImageFacts
from crownlet.datasets.scribal.portion import Portion
from crownlet.datasets.scribal.texts import TEFILLIN, load_portion, tefillin_lines
from crownlet.infer.records import GlyphRecord, PageRecord
from crownlet.infer.text.line_starts import LineStart, unlisted_line_starts
from crownlet.infer.text.match import words_by_text
from crownlet.infer.text.search import compare_with_text

LINES = [" ".join(line) for line in load_portion("mezuzah").lines or ()]


def record(lines: list[str], text: Portion) -> PageRecord:
    """The record of a page of `lines`, with no more than alignment gives."""
    page = written.reading(lines)
    matched, match = compare_with_text(page, text)
    assert matched is not None
    words, places = words_by_text(matched)
    glyphs = tuple(
        GlyphRecord(
            glyph=i + 1, line=int(page.layout.line[i]) + 1, word=int(words[i]) + 1,
            place=int(places[i]) + 1, letter=letter, letter_p=0.97, expected=matched.expected(i),
            box=(0.0, 0.0, 1.0, 1.0), body=(0.0, 0.0, 30.0, 0.0), tags_seen=0, tags_expected=None,
            p={},
        )
        for i, letter in enumerate(page.letters)
    )  # fmt: skip
    return PageRecord("page", ImageFacts("", *page.size, "L", "PNG"), glyphs, (), match, 0)


def test_the_list_itself() -> None:
    assert (
        unlisted_line_starts(record(LINES, load_portion("mezuzah")), load_portion("mezuzah")) == ()
    )


def test_words_that_go_over_to_the_next_line() -> None:
    lines = list(LINES)
    *kept, last = lines[3].split()
    lines[3], lines[4] = " ".join(kept), f"{last} {lines[4]}"
    (start,) = unlisted_line_starts(record(lines, load_portion("mezuzah")), load_portion("mezuzah"))
    glyph = sum(len(line.replace(" ", "")) for line in lines[:4]) + 1
    # Line 5 of the list begins with "uveshokhbekha" (Tur, Yoreh De'ah 288).
    assert start == LineStart(5, LINES[4].split()[0], last, glyph)


def test_a_line_that_begins_within_a_word() -> None:
    lines = list(LINES)
    lines[9], lines[10] = lines[9][:-2], lines[9][-2:] + lines[10]
    (start,) = unlisted_line_starts(record(lines, load_portion("mezuzah")), load_portion("mezuzah"))
    assert (start.line, start.expected_word, start.found_word) == (
        11, LINES[10].split()[0], LINES[9].split()[-1],
    )  # fmt: skip


def test_part_of_a_mezuzah_and_an_extra_first_letter() -> None:
    lines = list(LINES[4:15])
    assert (
        unlisted_line_starts(record(lines, load_portion("mezuzah")), load_portion("mezuzah")) == ()
    )
    lines[3] = "ף" + lines[3]
    assert (
        unlisted_line_starts(record(lines, load_portion("mezuzah")), load_portion("mezuzah")) == ()
    )


@pytest.mark.parametrize("name", TEFILLIN)
def test_tefillin_by_the_number_of_lines(name: str) -> None:
    for layout in ("arm", "head"):
        lines = [" ".join(line) for line in tefillin_lines(name, layout)]  # type: ignore[arg-type]
        assert unlisted_line_starts(record(lines, load_portion(name)), load_portion(name)) == ()
        first, *rest = lines[1].split()
        moved = [f"{lines[0]} {first}", " ".join(rest), *lines[2:]]
        (start,) = unlisted_line_starts(record(moved, load_portion(name)), load_portion(name))
        assert (start.line, start.expected_word, start.found_word) == (2, first, rest[0])


def test_no_list_and_no_text() -> None:
    words = load_portion("shema").words
    lines = [" ".join(words[k : k + 10]) for k in range(0, len(words), 10)]
    page = record(lines, load_portion("shema"))  # five lines: neither arm nor head
    assert unlisted_line_starts(page, load_portion("shema")) == ()
    plain = dataclasses.replace(
        page, glyphs=tuple(dataclasses.replace(g, expected=None) for g in page.glyphs)
    )
    assert unlisted_line_starts(plain, load_portion("mezuzah")) == ()


def test_the_strip_of_the_arm() -> None:
    lines = [" ".join(line) for name in TEFILLIN for line in tefillin_lines(name, "arm")]
    page = record(lines, load_portion("tefillin"))
    assert unlisted_line_starts(page, load_portion("tefillin")) == ()
    first, *rest = lines[8].split()
    lines[7], lines[8] = f"{lines[7]} {first}", " ".join(rest)
    (start,) = unlisted_line_starts(
        record(lines, load_portion("tefillin")), load_portion("tefillin")
    )
    assert (start.line, start.expected_word) == (9, first)

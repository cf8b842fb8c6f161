"""Scoring against transcriptions, on invented lines; edit distance against its plain definition."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from crownlet.train.evaluation.photographs import (
    TRANSCRIPTIONS_FILE,
    letters_by_line,
    load_transcriptions,
    measure_photographs,
    score_lines,  # fmt: skip
)
from crownlet.train.evaluation.transcription import align_line, parse_line

few_letters = st.text("אבג", max_size=7)


def levenshtein(a: str, b: str) -> int:
    """Levenshtein 1966, by its recursive definition."""

    @cache
    def distance(i: int, j: int) -> int:
        if not (i and j):
            return i + j
        same = distance(i - 1, j - 1) + (a[i - 1] != b[j - 1])
        return min(same, distance(i - 1, j) + 1, distance(i, j - 1) + 1)

    return distance(len(a), len(b))


@dataclass(frozen=True)
class Row:
    letter: str
    line: int
    q: float = 10.0


def rows(lines: Sequence[str]) -> list[Row]:
    return [Row(letter, i) for i, line in enumerate(lines) for letter in line]


@given(few_letters, few_letters)
@settings(max_examples=200, deadline=None)
def test_cost_is_the_edit_distance(written: str, read: str) -> None:
    found = align_line(parse_line(written).tokens, read)
    assert found.cost == levenshtein(written, read) == found.errors().errors
    assert "".join(a for a, _ in found.pairs) == written
    assert "".join(b for _, b in found.pairs) == read


@given(few_letters, few_letters)
@settings(max_examples=100, deadline=None)
def test_open_end_takes_any_number_of_letters(written: str, read: str) -> None:
    after = align_line(parse_line(written + "[...]").tokens, read)
    assert after.cost == min(levenshtein(written, read[:i]) for i in range(len(read) + 1))
    before = align_line(parse_line("[...]" + written).tokens, read)
    assert before.cost == min(levenshtein(written, read[i:]) for i in range(len(read) + 1))


@given(few_letters, few_letters, st.text("אבג", min_size=1, max_size=3))
@settings(max_examples=100, deadline=None)
def test_cut_letters_take_as_many_and_one_more(written: str, read: str, cut: str) -> None:
    found = align_line(parse_line(f"{written}[{cut}]").tokens, read)
    shortest = max(0, len(read) - len(cut) - 1)
    assert found.cost == min(levenshtein(written, read[:i]) for i in range(shortest, len(read) + 1))


def test_line_is_read_as_the_table_describes() -> None:
    line = parse_line("[ר]אש הר[אש]")
    assert (line.letters, line.counts) == ("אשהר", True)
    assert parse_line("^שלום רב").letters == ""
    assert parse_line("[...] אב").letters == "אב"
    for wrong in ("אב[ג", "אב]ג", "[[א]]", "אx", "א.."):
        with pytest.raises(ValueError):
            parse_line(wrong)


def test_errors_are_stated_by_kind() -> None:
    lines = [parse_line("שלום רב"), parse_line("דרך ארץ")]
    errors, found = score_lines(lines, ["שלוםרב", "הרךאץי"])
    assert errors.true == 12
    assert errors.substituted == Counter({("ד", "ה"): 1})
    assert errors.missing == Counter({"ר": 1})
    assert errors.spurious == Counter({"י": 1})
    assert errors.rate == 0.25
    assert found == (("שלוםרב", "שלוםרב", 0), ("דרךארץ", "הרךאץי", 3))


def test_what_is_read_in_cut_lines_and_ends_is_no_error() -> None:
    lines = [parse_line(text) for text in ("^נאמן ביתו", "[ח]סד ואמ[ת]", "^לעולם")]
    for read in (
        ["נאיו", "חסדואמה", "לעו"],  # as it stands, cut parts read anyhow
        ["סדואמ"],  # cut parts not read at all
        ["נאמן", "ביתו", "סדואמ", "לע", "לם"],  # cut lines read in pieces
    ):
        assert score_lines(lines, read)[0].errors == 0
    assert score_lines(lines, [])[0].missing.total() == 5


def test_line_that_fell_apart_is_put_together() -> None:
    lines = [parse_line("שלום רב לכם"), parse_line("ברוך הבא")]
    assert score_lines(lines, ["שלום", "רב", "לכם", "ברוךהבא"])[0].errors == 0


def test_line_read_where_none_is_written_is_spurious() -> None:
    lines = [parse_line("שלום רב"), parse_line("ברוך הבא")]
    errors, _ = score_lines(lines, ["שלוםרב", "ווו", "ברוךהבא"])
    assert (errors.errors, errors.spurious) == (3, Counter({"ו": 3}))
    errors, _ = score_lines(lines, ["ברוךהבא"])
    assert (errors.errors, errors.missing.total()) == (6, 6)


def test_read_lines_follow_line_numbers() -> None:
    assert letters_by_line(rows(["אב", "ג"])) == ["אב", "ג"]


def table(folder: Path, *lines: tuple[str, int, str, int]) -> Path:
    header = "photo\tline\ttext\twhole_letters\n"
    text = header + "".join("\t".join(map(str, line)) + "\n" for line in lines)
    (folder / TRANSCRIPTIONS_FILE).write_text(text, encoding="utf-8")
    return folder


def test_report_by_photo_and_over_all(tmp_path: Path) -> None:
    folder = table(
        tmp_path, ("b.jpg", 2, "הבא", 3), ("b.jpg", 1, "ברו[ך]", 3), ("a.jpg", 1, "של[ום]", 2)
    )
    read = {"a.jpg": ["שכום"], "b.jpg": ["ברוך", "הבא"]}
    report = measure_photographs(folder, lambda path: rows(read[path.name]))
    rates = {photo.photo: photo.errors.rate for photo in report.photos}
    assert rates == {"a.jpg": 0.5, "b.jpg": 0.0}
    assert report.errors.true == 8
    assert report.errors.rate == 1 / 8
    assert report.errors.summary()["pairs"] == {"ל>כ": 1}
    assert {photo.body_px for photo in report.photos} == {30.0}


def test_wrong_letter_count_in_the_table_is_named(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"a\.jpg line 1 has 3 whole letters, not 4"):
        load_transcriptions(table(tmp_path, ("a.jpg", 1, "הבא", 4)))
    with pytest.raises(FileNotFoundError):
        load_transcriptions(tmp_path / "none")

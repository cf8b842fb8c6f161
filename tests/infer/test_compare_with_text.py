"""A page against its text: known edits of the text come back as one place each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import written

from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.pentateuch.text import read_passage
from crownlet.datasets.scribal.texts import TEFILLIN, load_portion, tefillin_lines
from crownlet.infer.records import TextMatch
from crownlet.infer.text.search import compare_with_text

LINES = [" ".join(line) for line in load_portion("mezuzah").lines or ()]
TEXT = load_portion("mezuzah")


def compared(lines: list[str], text: str = "mezuzah") -> TextMatch:
    _, match = compare_with_text(
        written.reading(lines), "auto" if text == "auto" else load_portion(text)
    )
    assert match is not None
    return match


def changed(line: int, old: str, new: str) -> list[str]:
    lines = list(LINES)
    assert lines[line].count(old) == 1
    lines[line] = lines[line].replace(old, new)
    return lines


@pytest.mark.parametrize("text", ["mezuzah", "auto"])
def test_the_text_itself(text: str) -> None:
    match = compared(LINES, text)
    assert (match.portion, match.absent, match.extra, match.swapped, match.places) == (
        "mezuzah", (), 0, 0, (),
    )  # fmt: skip
    assert match.matched == 713


@pytest.mark.parametrize(
    ("lines", "mishap", "letters", "line"),
    [
        (changed(3, "ודברת", "ודבת"), "letter_absent", "ר", 4),
        (changed(3, "ודברת", "ודברףת"), "letter_extra", "ף", 4),
        (changed(3, "ודברת", "ודבברת"), "letter_doubled", "ב", 4),
        (changed(3, "ודברת", "ודברת ודברת"), "words_doubled", "ודברת", 4),
        (changed(3, "ודברת בם", "ודברת בם ודברת בם"), "words_doubled", "ודברת בם", 4),
        (changed(3, " ודברת", ""), "words_absent", "ודברת", 4),
        (changed(3, "ודברת בם", "בם ודברת"), "words_exchanged", None, 4),
        (changed(3, "ודברת", "קסצף ודברת"), "words_extra", "קסצף", 4),
        (changed(5, "מזזות", "מזוזת"), "letters_exchanged", "וז", 6),
        (changed(5, "וכתבתם", "וכתם"), "letters_absent", "בת", 6),
        (LINES[:8] + LINES[9:], "words_absent", LINES[8], 8),
        (LINES[:9] + LINES[8:], "words_doubled", LINES[8], 10),
    ],
)
def test_one_mishap_is_one_place(
    lines: list[str], mishap: str, letters: str | None, line: int
) -> None:
    match = compared(lines)
    (place,) = match.places
    assert (place.mishap, place.line) == (mishap, line)
    assert letters is None or place.letters == letters
    assert place.sure


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        (changed(3, "ודברת", "ודבת"), "resh absent from ודברת, word 28 of the text"),
        (changed(0, "אלהינו", "אלהנו"), "yud absent from אלקינו, word 4 of the text"),
    ],
)
def test_the_word_that_lacks_a_letter_is_named(lines: list[str], message: str) -> None:
    """A reader finds a word by its letters, and counts to no number; a Divine Name is
    veiled."""
    (place,) = compared(lines).places
    assert place.message.startswith(message)


def test_a_skip_from_like_to_like_is_stated_in_whole_words() -> None:
    # Homeoteleuton: the eye leaps from "on your heart" to the next word that begins alike.
    words = TEXT.words
    first = words.index("ובכל")
    second = words.index("ובכל", first + 1)
    lines = [" ".join(words[:first] + words[second:])[k : k + 40] for k in range(0, 1, 40)]
    rest = words[:first] + words[second:]
    lines = [" ".join(rest[k : k + 8]) for k in range(0, len(rest), 8)]
    (place,) = compared(lines).places
    assert place.mishap == "words_absent"
    assert place.letters in (
        " ".join(words[first:second]), " ".join(words[first + 1 : second + 1]),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "pair"),
    [("ביתך", "ביתכ", ("ך", "כ")), ("וכתבתם", "וכתבתמ", ("ם", "מ")), ("בין", "בינ", ("ן", "נ"))],
)
def test_a_bent_letter_at_the_end_of_a_word_is_swapped(
    old: str, new: str, pair: tuple[str, str]
) -> None:
    page = written.reading(changed(5, old, new))
    matched, match = compare_with_text(page, TEXT)
    assert matched is not None
    assert match is not None
    assert (match.swapped, match.absent, match.extra) == (1, (), 0)
    odd = [i for i, c in enumerate(page.letters) if matched.expected(i) != c]
    assert [(matched.expected(i), page.letters[i]) for i in odd] == [pair]


def test_a_final_letter_in_the_middle_of_a_word_is_swapped() -> None:
    match = compared(changed(3, "ודברת בם", "ודברת בם").copy())
    assert match.swapped == 0
    match = compared(changed(9, "ומלקוש", "וםלקוש"))
    assert (match.swapped, match.absent, match.extra) == (1, (), 0)


@pytest.mark.parametrize("seed", range(12))
def test_edits_far_apart_are_each_found(seed: int) -> None:
    """Known edits, ten words or more apart, of the kinds that scribes are known to make."""
    rng = np.random.default_rng(seed)
    words = list(TEXT.words)
    wanted = []
    for at in range(150, 0, -25):
        kind = rng.choice(["words_doubled", "words_absent", "letter_absent"])
        word = words[at]
        if kind == "words_doubled":
            words[at:at] = [word]
        elif kind == "words_absent":
            del words[at]
        else:
            words[at] = word[:-1]
        wanted.append((kind, word if kind != "letter_absent" else word[-1]))
    lines = [" ".join(words[k : k + 8]) for k in range(0, len(words), 8)]
    places = compared(lines).places
    assert [p.mishap for p in places] == [kind for kind, _ in wanted[::-1]]
    assert [p.letters for p in places] == [letters for _, letters in wanted[::-1]]


@pytest.mark.parametrize("seed", range(6))
def test_letters_read_with_doubt_make_no_mishap(seed: int) -> None:
    """Three letters in a hundred misread, with the right one as second choice; a word doubled."""
    rng = np.random.default_rng(seed)
    words = list(TEXT.words)
    at = int(rng.integers(5, 150))
    words[at:at] = [words[at]]
    page = written.reading([" ".join(words[k : k + 8]) for k in range(0, len(words), 8)])
    odds = page.odds.copy()
    for i in np.flatnonzero(rng.random(len(odds)) < 0.03):
        right, odds[i] = int(odds[i].argmax()), 0.01 / 25
        odds[i, rng.integers(27)] += 0.59
        odds[i, right] += 0.4
    letters = "".join(LETTERS[k] for k in odds.argmax(axis=1))
    _, match = compare_with_text(replace(page, odds=odds, letters=letters), TEXT)
    assert match is not None
    assert [(p.mishap, p.letters) for p in match.places] == [("words_doubled", words[at])]


def test_part_of_the_text_and_its_missing_ends() -> None:
    match = compared(LINES[6:12])
    assert match.absent == ()
    assert match.note == "The page shows letters 206 to 401 of the 713 of 'mezuzah'."


def test_an_absent_first_letter_is_absent() -> None:
    (place,) = compared([LINES[0][1:], *LINES[1:]]).places
    assert (place.mishap, place.letters, place.after, place.line) == ("letter_absent", "ש", 0, 1)


@pytest.mark.parametrize("cut", [(200, 0, 0, 0), (0, 0, 200, 0), (150, 0, 150, 0)])
def test_letters_outside_the_picture_are_not_absent(cut: tuple[float, ...]) -> None:
    page = written.cropped(written.reading(LINES), *cut)
    _, match = compare_with_text(page, TEXT)
    assert match is not None
    assert match.absent == ()
    assert match.swapped == match.extra == 0
    assert "outside the picture." in match.note


def test_lines_below_the_picture_are_not_absent_for_certain() -> None:
    page = written.cropped(written.reading(LINES), 0, 0, 0, 90 + 30)
    _, match = compare_with_text(page, TEXT)
    assert match is not None
    assert [p.sure for p in match.places] == [False]
    assert all(letter.route == "review" for letter in match.absent)
    whole = written.reading(LINES[:-1], margin=(90.0, 90.0, 90.0, 150.0))
    _, match = compare_with_text(whole, TEXT)
    assert match is not None
    assert [(p.mishap, p.letters, p.sure) for p in match.places] == [
        ("words_absent", LINES[-1], True)
    ]


def test_a_skipped_line_is_stated_even_where_the_frame_is_tight() -> None:
    page = written.reading(LINES[:8] + LINES[9:], margin=(5.0, 5.0, 5.0, 5.0))
    _, match = compare_with_text(page, TEXT)
    assert match is not None
    (place,) = match.places
    assert place.letters == LINES[8]


def test_three_columns_of_a_scroll_find_themselves() -> None:
    words = read_passage("Numbers 20").words
    lines = [" ".join(words[k : k + 6]) for k in range(4, 4 + 6 * 36, 6)]
    page = written.reading(lines, column=12)
    assert int(page.layout.column.max()) == 2
    matched, match = compare_with_text(page, "auto")
    assert matched is not None
    assert match is not None
    assert match.portion.startswith("Numbers 20:1-")
    assert (match.absent, match.extra, match.swapped, match.places) == ((), 0, 0, ())
    assert match.found == pytest.approx(1.0, abs=0.01)


def test_columns_that_the_frame_cuts_below() -> None:
    words = read_passage("Numbers 20").words
    lines = [" ".join(words[k : k + 6]) for k in range(0, 6 * 36, 6)]
    page = written.cropped(written.reading(lines, column=12), 0, 0, 0, 90 + 4 * 60)
    _, match = compare_with_text(page, "auto")
    assert match is not None
    assert match.portion.startswith("Numbers 20:1-")
    assert match.absent == ()
    assert "outside the picture." in match.note


def test_lines_of_another_text_at_the_edge() -> None:
    other = "הללו את יהוה כל גוים שבחוהו כל האמים"  # Psalm 117
    for lines in ([other, *LINES], [*LINES, other]):
        match = compared(lines, "auto")
        assert (match.portion, match.absent, match.extra, match.places) == ("mezuzah", (), 0, ())
        assert "are of another text" in match.note


def test_the_edge_of_the_next_column() -> None:
    lines = [f"{line}{' ' * 6}{end}" for line, end in zip(LINES, "קסצףטגז" * 4, strict=False)]
    match = compared(lines, "auto")
    assert (match.portion, match.absent, match.extra) == ("mezuzah", (), 0)


def test_a_line_of_another_text_in_the_middle_is_one_place() -> None:
    other = "הללו את יהוה כל גוים שבחוהו כל האמים"
    (place,) = compared([*LINES[:9], other, *LINES[9:]]).places
    assert place.mishap == "lines_extra"
    assert place.line == 10


def test_a_page_of_a_whole_book(relative_time: Callable[..., float]) -> None:
    book = read_passage("Genesis 1-50")
    words = read_passage("Genesis 41:1-20").words
    lines = [" ".join(words[k : k + 7]) for k in range(0, len(words), 7)]
    read, matches = written.reading(lines), []
    # Measured 2; the page aligned with the whole book would be hundreds of times that.
    assert relative_time(lambda: matches.append(compare_with_text(read, book)[1])) < 20
    (match,) = matches
    assert match is not None
    assert match.places == ()
    first = book.letters.index(read_passage("Genesis 41:1-20").letters)
    assert f"letters {first + 1} to " in match.note


@pytest.mark.parametrize("name", TEFILLIN)
@pytest.mark.parametrize("layout", ["arm", "head"])
def test_a_slip_of_tefillin_is_named(name: str, layout: str) -> None:
    lines = [" ".join(line) for line in tefillin_lines(name, layout)]  # type: ignore[arg-type]
    match = compared(lines, "auto")
    assert (match.portion, match.places) == (name, ())


def test_part_of_a_mezuzah_is_stated_by_its_lines() -> None:
    match = compared(LINES[9:17], "auto")
    assert match.portion == "mezuzah"
    assert "vehaya_im_shamoa" in match.also
    words = "".join(load_portion("vehaya_im_shamoa").letters)[60:320]
    match = compared([words[k : k + 26] for k in range(0, len(words), 26)], "auto")
    assert match.portion == "vehaya_im_shamoa"
    assert "mezuzah" in match.also


def test_words_that_scrolls_spell_otherwise_are_no_finding() -> None:
    # Genesis 19:16: the codex has one yud less than the scrolls (Miqra al pi ha-Masorah).
    words = [w.replace("ויחזקו", "ויחזיקו") for w in read_passage("Genesis 19:15-26").words]
    lines = [" ".join(words[k : k + 7]) for k in range(0, len(words), 7)]
    (place,) = compared(lines, "auto").places
    assert not place.sure
    assert "sources differ" in place.message


def test_other_writing_is_not_compared() -> None:
    psalm = written.reading(["הללו את יהוה כל גוים שבחוהו כל האמים"] * 2)
    assert compare_with_text(psalm, "auto") == (None, None)
    assert compare_with_text(written.reading(LINES), None) == (None, None)


def test_names_are_veiled_in_sentences() -> None:
    words = TEXT.words
    four = words[2]
    lines = [LINES[0].replace(f" {four}", "", 1), *LINES[1:]]
    (place,) = compared(lines).places
    assert place.in_name
    assert four not in place.message

"""Finding a passage: random windows with known edits, parallel and other texts, and its speed."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rapidfuzz.distance import Levenshtein
from rapidfuzz.fuzz import partial_ratio_alignment

from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.edit_distance import stretch_distance
from crownlet.datasets.scribal.pentateuch.search import FoundPassage, find_passage
from crownlet.datasets.scribal.pentateuch.text import encode_letters, load_pentateuch, read_passage
from crownlet.datasets.scribal.texts import PORTIONS, load_portion

TORAH = "".join(load_pentateuch().words)
NAMED = (*(name for name in PORTIONS if name != "mezuzah_reverse"), "tefillin")

# Psalm 117 and 134, Ruth 1:1, and a line of the Mishnah (Avot 1:2, from memory): not of the Torah.
OTHERS = (
    "הללואתיהוהכלגויםשבחוהוכלהאמיםכיגברעלינוחסדוואמתיהוהלעולםהללויה",
    "שירהמעלותהנהברכואתיהוהכלעבדייהוההעמדיםבביתיהוהבלילות",
    "ויהיבימישפטהשפטיםויהירעבבארץוילךאישמביתלחםיהודהלגורבשדימואב",
    "שמעוןהצדיקהיהמשיריכנסתהגדולההואהיהאומרעלשלשהדבריםהעולםעומד",
)


def edited(text: str, rate: float, rng: np.random.Generator) -> str:
    """`text` with letters misread (three of five mishaps), absent and extra."""
    out = []
    for letter in text:
        chance = rng.random() / rate if rate else 9.0
        if chance < 0.6:
            out.append(LETTERS[rng.integers(27)])
        elif chance >= 0.8:
            out.append(letter)
            out += [LETTERS[rng.integers(27)]] if chance < 1.0 else []
    return "".join(out)


def letter_of(found: FoundPassage) -> int:
    """The letter of the Pentateuch near which a found passage begins."""
    at = TORAH.index(found.portion.letters) if found.verse is None else -1
    text = load_pentateuch()
    if found.verse is not None:
        at = int(text.word_starts[text.verse_starts[found.verse]])
    return at + found.start


@pytest.mark.parametrize("rate", [0.0, 0.05, 0.15])
@pytest.mark.parametrize("length", [40, 80, 200, 700, 2000])
def test_windows_are_placed_right_or_called_ambiguous(length: int, rate: float) -> None:
    rng = np.random.default_rng(length + int(100 * rate))
    missed, wrong = 0, []
    for start in rng.integers(0, len(TORAH) - length, 30):
        found = find_passage(edited(TORAH[start : start + length], rate, rng))
        if found is None:
            missed += 1
        elif found.portion.name not in NAMED and abs(letter_of(found) - start) > 40:
            wrong.append(found)
    assert missed <= (1 if length == 40 and rate > 0.1 else 0)
    assert all(found.also and found.confidence < 0.9 for found in wrong)
    assert len(wrong) <= 3


@pytest.mark.parametrize(
    ("name", "alike"),
    [  # parallel texts; the second is where the same words stand, or nearly
        ("Exodus 20:2-14", "Deuteronomy 5"),
        ("Exodus 26:15-25", "Exodus 36"),
        ("Exodus 25:31-36", "Exodus 37"),
        ("Leviticus 11:13-19", "Deuteronomy 14"),
        ("Numbers 7:48-53", "Numbers 7"),
        ("Genesis 36:20-28", "Genesis 36"),
    ],
)
def test_parallel_texts_are_told_apart(name: str, alike: str) -> None:
    text = read_passage(name)
    found = find_passage(text.letters)
    assert found is not None
    start = int(load_pentateuch().word_starts[load_pentateuch().verse_starts[
        load_pentateuch().verses.index(name.split("-")[0])]])  # fmt: skip
    assert abs(letter_of(found) - start) <= 3
    assert all(alike in other for other in found.also if alike.split()[0] in other)


@pytest.mark.parametrize("day", range(2, 12))
def test_what_stands_twelve_times_is_called_ambiguous(day: int) -> None:
    # Numbers 7: the twelve princes bring the same; only of the second it is told in other words.
    first = 13 + 6 * day
    words = read_passage(f"Numbers 7:{first}-{first + 3}").words
    found = find_passage("".join(words[1:]))
    assert found is not None
    assert found.confidence < 0.6
    assert len(found.also) >= 5


@pytest.mark.parametrize("name", [*NAMED, "mezuzah_reverse"])
def test_known_portions_are_named(name: str) -> None:
    found = find_passage(load_portion(name).letters)
    assert found is not None
    assert found.portion == load_portion(name)
    assert found.confidence > 0.95


@pytest.mark.parametrize(
    ("start", "stop", "name"),
    [(100, 400, "mezuzah"), (240, 500, "vehaya_im_shamoa"), (20, 180, "shema")],
)
def test_parts_of_a_mezuzah(start: int, stop: int, name: str) -> None:
    found = find_passage(load_portion("mezuzah").letters[start:stop])
    assert found is not None
    assert found.portion.name == name
    assert name == "mezuzah" or "mezuzah" in found.also


def test_the_torah_around_a_portion_is_no_mezuzah() -> None:
    found = find_passage(read_passage("Deuteronomy 6:1-15").letters)
    assert found is not None
    assert found.portion.name.startswith("Deuteronomy")


def test_two_columns_with_lines_between_them_cut_off() -> None:
    text = read_passage("Genesis 24").letters
    found = find_passage(text[200:900] + text[1500:2200])
    assert found is not None
    assert abs(letter_of(found) - TORAH.index(text) - 200) <= 3


def test_lines_cut_at_their_ends() -> None:
    text = read_passage("Genesis 41").letters[50:1250]
    page = "".join(text[k : k + 24] for k in range(0, len(text), 30))
    found = find_passage(page)
    assert found is not None
    assert abs(letter_of(found) - TORAH.index(text)) <= 3


@pytest.mark.parametrize("letters", OTHERS)
def test_other_texts_are_not_found(letters: str) -> None:
    assert find_passage(letters) is None


@pytest.mark.parametrize("length", [25, 60, 300, 1500])
def test_random_letters_are_not_found(length: int) -> None:
    rng = np.random.default_rng(length)
    for _ in range(10):
        assert find_passage("".join(rng.choice(list(LETTERS), length))) is None


def test_the_letters_of_the_torah_in_another_order_are_not_found() -> None:
    rng = np.random.default_rng(3)
    for start in rng.integers(0, len(TORAH) - 500, 10):
        letters = list(TORAH[start : start + 500])
        rng.shuffle(letters)
        assert find_passage("".join(letters)) is None


def test_very_long_pages(relative_time: Callable[..., float]) -> None:
    rng = np.random.default_rng(8)
    page, places = edited(TORAH[40_000:49_000], 0.1, rng), []
    # Measured 6; the page against the whole Pentateuch would be hundreds of times that.
    assert relative_time(lambda: places.append(find_passage(page))) < 40
    (found,) = places
    assert found is not None
    assert abs(letter_of(found) - 40_000) <= 5
    words = list(load_pentateuch().words[5_000:7_500])
    rng.shuffle(words)
    assert find_passage("".join(words)) is None


def test_too_few_letters_and_other_signs() -> None:
    assert find_passage("") is None
    assert find_passage(TORAH[:24]) is None
    with pytest.raises(ValueError, match="27 letters"):
        find_passage("bereshit")


def test_loading_and_finding_take_less_than_a_second(relative_time: Callable[..., float]) -> None:
    code = (
        "import time; from crownlet.datasets.scribal.pentateuch.search import find_passage; "
        "from crownlet.datasets.scribal.texts import load_portion; s = time.process_time(); "
        "sorted(map(str, range(200_000))); t = time.process_time(); "
        "find_passage(load_portion('mezuzah').letters); print((time.process_time() - t) / (t - s))"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    # Against so many numbers written and sorted: measured 3.
    assert float(run.stdout) < 20
    page = TORAH[100_000:102_500]
    # Measured 2.
    assert relative_time(lambda: find_passage(page)) < 15


WORDS = st.text(alphabet="אבגד", max_size=12)


@settings(max_examples=200, deadline=None)
@given(page=WORDS.filter(bool), text=WORDS)
def test_distance_is_that_of_the_nearest_stretch(page: str, text: str) -> None:
    """Reference: rapidfuzz's Levenshtein distance to every stretch of the text."""
    stretches = {text[i:j] for i in range(len(text) + 1) for j in range(i, len(text) + 1)}
    least = min(Levenshtein.distance(page, stretch) for stretch in stretches)
    assert stretch_distance(encode_letters(page), encode_letters(text)) == least


def test_the_place_is_the_one_that_rapidfuzz_finds() -> None:
    """Reference: rapidfuzz's best partial match in a stretch small enough for it."""
    rng = np.random.default_rng(11)
    for start in rng.integers(0, len(TORAH) - 4000, 8):
        page = edited(TORAH[start + 1500 : start + 1620], 0.1, rng)
        best = partial_ratio_alignment(page, TORAH[start : start + 4000])
        found = find_passage(page)
        assert best is not None
        assert found is not None
        if not found.also:
            assert abs(letter_of(found) - (start + best.dest_start)) <= 6

"""Letters of a page without a text, read again by what the language makes likely.

Hands made of numbers, as in `test_sure_letters.py`, and one drawn page. Common practice, no source:
self-training with the labels of a second, independent view (Blum and Mitchell 1998, co-training).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from test_sure_letters import DALET, EVERY_KIND, RESH, page_of, take_for

from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean
from crownlet.datasets.scribal.texts import load_portion
from crownlet.infer.hand.likely_letters import (
    LEAST_P_DENIED,
    choose_likely,
    read_by_likely_letters,
    weigh_by_language,
)
from crownlet.infer.inspector import Inspector
from crownlet.infer.networks import LETTER_CLASSES
from crownlet.infer.records import Floats, Ints, PageRecord


def rows_of(kinds: Ints, p: float) -> Floats:
    """Rows of sum 1 in which each of these classes has the probability p."""
    odds = np.full((len(kinds), LETTER_CLASSES), (1 - p) / (LETTER_CLASSES - 1))
    odds[np.arange(len(kinds)), kinds] = p
    return odds


def test_a_form_that_is_always_misread_is_read_by_its_neighbours() -> None:
    """The networks take every resh for a dalet; after the language most of them are reshes."""
    letters, odds = page_of(EVERY_KIND)
    reshes = np.flatnonzero(EVERY_KIND == RESH)
    misread = take_for(odds, reshes, DALET, 0.95)
    language = rows_of(EVERY_KIND, 0.99)
    unknown = reshes[:3]
    language[unknown] = 1 / LETTER_CLASSES
    again = read_by_likely_letters(letters, misread, misread, lambda _: language)
    assert (again.argmax(axis=1) == EVERY_KIND).all()
    assert (again[unknown].max(axis=1) < 0.9).all()


def test_a_letter_that_was_exchanged_stays_as_written_and_goes_to_review() -> None:
    """A dalet, as the hand writes it, where the language expects a resh."""
    letters, odds = page_of(EVERY_KIND)
    dalet = int(np.flatnonzero(EVERY_KIND == DALET)[0])
    expected = EVERY_KIND.copy()
    expected[dalet] = RESH
    again = read_by_likely_letters(letters, odds, odds, lambda _: rows_of(expected, 0.99))
    assert again[dalet].argmax() == DALET
    assert again[dalet, DALET] < 0.9
    others = np.delete(np.arange(len(odds)), dalet)
    assert (again[others].argmax(axis=1) == EVERY_KIND[others]).all()
    assert (again[others].max(axis=1) > 0.9).all()


def test_a_page_on_which_the_language_expects_nothing_stays_as_it_was_read() -> None:
    letters, odds = page_of(EVERY_KIND)
    even = np.full(odds.shape, 1 / LETTER_CLASSES)
    assert read_by_likely_letters(letters, odds, odds, lambda _: even) is odds


def test_rows_keep_the_share_of_no_letter() -> None:
    letters, odds = page_of(EVERY_KIND)
    given = 0.8 * odds
    language = rows_of(EVERY_KIND, 0.99)
    again = read_by_likely_letters(letters, given, given, lambda _: language)
    assert again.sum(axis=1) == pytest.approx(0.8)


def test_likely_letters_vote_but_not_against_a_sure_reading() -> None:
    alone = rows_of(np.array([DALET, DALET, RESH, RESH]), 0.9)
    alone[0] = rows_of(np.array([DALET]), 0.99)
    likely = rows_of(np.array([RESH, RESH, RESH, RESH]), 0.97)
    likely[3] = rows_of(np.array([RESH]), 0.94)
    assert choose_likely(likely, alone).tolist() == [-1, RESH, RESH, -1]


@pytest.mark.parametrize(
    ("p", "q", "weighed"),
    [
        (0.7, 0.95, 0.9),  # borne out: a third of the doubt
        (0.97, 0.98, 0.98),  # no surer than with its neighbours
        (0.99, 0.8, 0.8),  # less likely with them
        (0.99, 0.01, LEAST_P_DENIED),  # denied
        (0.4, 0.2, 0.4),  # a doubt that stays one
    ],
)
def test_the_language_makes_surer_or_less_sure(p: float, q: float, weighed: float) -> None:
    odds, likely = rows_of(np.array([DALET]), p), rows_of(np.array([RESH]), 1 - q)
    likely[0, DALET] = q
    likely[0, RESH] -= likely.sum() - 1
    result = weigh_by_language(odds, likely)
    assert result[0, DALET] == pytest.approx(weighed, abs=1e-6)
    assert result.sum() == pytest.approx(1.0)


def test_the_letter_read_stays_the_likeliest() -> None:
    rng = np.random.default_rng(0)
    odds = rng.dirichlet(np.full(LETTER_CLASSES, 0.05), 2000)
    likely = rng.dirichlet(np.full(LETTER_CLASSES, 0.05), 2000)
    odds[0], likely[0] = rows_of(np.array([DALET]), 1.0), rows_of(np.array([RESH]), 1.0)
    odds[1], likely[1] = 0.0, rows_of(np.array([RESH]), 1.0)
    odds[1, [DALET, RESH]] = 0.9, 0.1
    weighed = weigh_by_language(odds, likely)
    assert (weighed.argmax(axis=1) == odds.argmax(axis=1)).all()
    assert weighed.sum(axis=1) == pytest.approx(1.0)
    assert (weighed >= 0).all()


def inspect_words(words: list[str], folder: Path) -> PageRecord:
    """A page of these words, inspected without a text."""
    file = folder / "words.txt"
    rows = [" ".join(words[k : k + 6]) for k in range(0, len(words), 6)]
    file.write_text("\n".join(rows) + "\n", encoding="utf-8")
    page = compose(clean(portion=str(file), body=(36.0, 36.0)), 2)
    return Inspector(measure="none").inspect(page.image)


def test_a_plainly_written_letter_that_makes_no_word_is_asked_about(tmp_path: Path) -> None:
    """The second word of the Shema (Deuteronomy 6:4) with a dalet for its resh, no text given."""
    words = list(load_portion("shema").words)
    row = len(words[0]) + words[1].index("ר")
    right = inspect_words(words, tmp_path).glyphs[row]
    assert (right.letter, right.route) == ("ר", "clear")
    words[1] = words[1].replace("ר", "ד")
    exchanged = inspect_words(words, tmp_path).glyphs[row]
    assert (exchanged.letter, exchanged.route) == ("ד", "review")
    assert exchanged.letter_p < 0.7

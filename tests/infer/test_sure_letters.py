"""Letters of a page without a text, read again by those that are sure: hands made of numbers.

Common practice, no source: semi-supervised learning by self-training, each letter left out of its
own reading.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean
from crownlet.datasets.scribal.alphabet import index_of
from crownlet.infer.hand import adapt
from crownlet.infer.hand.kernel import LetterDescriptors
from crownlet.infer.hand.sure_letters import (
    MIN_SURE_LETTERS,
    SISTERS_FOR_FULL_WEIGHT,
    choose_votes,
    read_by_sure_letters,
)
from crownlet.infer.inspector import Inspector
from crownlet.infer.networks import LETTER_CLASSES

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

RESH, DALET, SAMECH = index_of("ר"), index_of("ד"), index_of("ס")

SIZE = 40
"""Hidden numbers of a letter."""


def page_of(kinds: Ints, seed: int = 0) -> tuple[LetterDescriptors, Floats]:
    """Letters of these kinds by a hand whose forms lie far apart, surely read, all of them right;
    the locator has no opinion."""
    rng = np.random.default_rng(seed)
    forms = 3 * rng.normal(size=(LETTER_CLASSES, SIZE))
    hidden = (forms[kinds] + 0.5 * rng.normal(size=(len(kinds), SIZE))).astype(np.float32)
    odds = np.full((len(kinds), LETTER_CLASSES), 0.03 / (LETTER_CLASSES - 1))
    odds[np.arange(len(kinds)), kinds] = 0.97
    blank = np.zeros((len(kinds), 4), np.float32)
    located = np.full((len(kinds), LETTER_CLASSES), -np.log(LETTER_CLASSES), np.float32)
    return LetterDescriptors(hidden, blank, located), odds


def take_for(odds: Floats, rows: Ints, kind: int, p: float) -> Floats:
    """The odds with some letters read as another kind, with the probability p."""
    changed = odds.copy()
    changed[rows] = (1 - p) / (LETTER_CLASSES - 1)
    changed[rows, kind] = p
    return changed


def see_as_read(letters: LetterDescriptors, kinds: Ints, p: float) -> LetterDescriptors:
    """The letters with a locator that gives these kinds the probability p."""
    opinion = np.full((len(kinds), LETTER_CLASSES), (1 - p) / (LETTER_CLASSES - 1))
    opinion[np.arange(len(kinds)), kinds] = p
    return LetterDescriptors(letters.hidden, letters.ink, np.log(opinion).astype(np.float32))


EVERY_KIND: Ints = np.repeat(np.arange(LETTER_CLASSES), 12)


def test_letters_in_doubt_are_read_as_their_sisters() -> None:
    letters, odds = page_of(EVERY_KIND)
    reshes = np.flatnonzero(EVERY_KIND == RESH)[:4]
    again = read_by_sure_letters(letters, take_for(odds, reshes, DALET, 0.6))
    assert (again.argmax(axis=1) == EVERY_KIND).all()


def test_a_sure_misreading_of_an_even_hand_comes_right_or_in_doubt() -> None:
    letters, odds = page_of(EVERY_KIND)
    resh = np.flatnonzero(EVERY_KIND == RESH)[:1]
    again = read_by_sure_letters(letters, take_for(odds, resh, DALET, 0.95))
    others = np.setdiff1d(np.arange(len(EVERY_KIND)), resh)
    assert again[resh[0], DALET] < 0.9
    assert (again.argmax(axis=1) == EVERY_KIND)[others].all()


def test_a_letter_without_sisters_stays_as_it_was_read() -> None:
    """A single samech is like no other letter of the page, and nothing is known of it here."""
    kinds = np.append(EVERY_KIND[EVERY_KIND != SAMECH], SAMECH)
    letters, odds = page_of(kinds)
    again = read_by_sure_letters(letters, odds)
    assert np.allclose(again[-1], odds[-1])


@pytest.mark.parametrize("p", [0.55, 0.7, 0.89])
def test_a_form_of_which_the_networks_are_never_sure_keeps_its_name(p: float) -> None:
    """All reshes of the hand are doubtful: none is sure, and none may go over to dalet."""
    letters, odds = page_of(EVERY_KIND)
    reshes = np.flatnonzero(EVERY_KIND == RESH)
    doubtful = odds.copy()
    doubtful[reshes] = 0.0
    doubtful[reshes, RESH], doubtful[reshes, DALET] = p, 1 - p
    again = read_by_sure_letters(letters, doubtful)
    assert (again[reshes].argmax(axis=1) == RESH).all()


def test_a_letter_that_the_networks_doubt_keeps_some_doubt() -> None:
    """Its sisters make it likelier, and no more than that: it may stand between two letters."""
    letters, odds = page_of(EVERY_KIND)
    row = np.flatnonzero(EVERY_KIND == RESH)[:1]
    between = odds.copy()
    between[row] = 0.0
    between[row, RESH], between[row, DALET] = 0.6, 0.4
    again = read_by_sure_letters(see_as_read(letters, EVERY_KIND, 0.95), between)
    assert 0.6 < again[row[0], RESH] < 0.9


def test_what_the_locator_takes_for_another_letter_is_less_sure() -> None:
    letters, odds = page_of(EVERY_KIND)
    row = int(np.flatnonzero(EVERY_KIND == RESH)[0])
    seen = EVERY_KIND.copy()
    agreeing = read_by_sure_letters(see_as_read(letters, seen, 0.95), odds)
    seen[row] = DALET
    opposed = read_by_sure_letters(see_as_read(letters, seen, 0.95), odds)
    assert agreeing[row, RESH] > 0.9 > opposed[row, RESH]
    assert opposed[row].argmax() == RESH


def test_a_page_of_few_sure_letters_is_left_as_it_is() -> None:
    letters, odds = page_of(EVERY_KIND[: MIN_SURE_LETTERS - 1])
    assert read_by_sure_letters(letters, odds) is odds


def test_rows_keep_the_share_of_no_letter() -> None:
    letters, odds = page_of(EVERY_KIND)
    given = 0.8 * odds
    again = read_by_sure_letters(letters, given)
    assert np.allclose(again.sum(axis=1), 0.8)


def test_sure_letters_vote_and_the_surest_of_every_class() -> None:
    read = np.array([0] * 8 + [1] * 8 + [2])
    p = np.array([0.95] * 8 + [0.6, 0.8, 0.7, 0.85, 0.55, 0.65, 0.75, 0.4] + [0.45])
    votes = choose_votes(read, p)
    assert (votes[:8] == 0).all()
    assert np.flatnonzero(votes == 1).tolist() == [9, 10, 11, 13, 14]
    assert votes[16] == -1
    assert SISTERS_FOR_FULL_WEIGHT > 1


def test_a_page_without_a_text_is_read_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """The record follows that reading and names what it changed."""
    picture = compose(clean(portion="mezuzah_reverse", body=(36.0, 36.0)), 1).image
    inspector = Inspector(measure="none")
    page = inspector.load(picture)
    alone = Inspector(measure="none", hand=False).record(page)

    def read_first_as_lamed(letters: LetterDescriptors, odds: Floats) -> Floats:
        assert len(letters) == len(odds)
        again = odds.copy()
        again[0] = 0.001
        again[0, index_of("ל")] = 0.7
        return again

    monkeypatch.setattr(adapt, "read_by_sure_letters", read_first_as_lamed)
    monkeypatch.setattr(adapt, "read_by_likely_letters", lambda _, __, again, ___: again)
    record = inspector.record(page)
    assert record.glyphs[0].letter == "ל"
    assert record.glyphs[0].letter_p == pytest.approx(0.7)
    assert [glyph.letter for glyph in record.glyphs[1:]] == [
        glyph.letter for glyph in alone.glyphs[1:]
    ]
    assert record.hand is not None
    assert record.hand.changed == ((1, alone.glyphs[0].letter, "ל"),)
    assert record.hand.why == adapt.NO_TEXT
    assert alone.hand is not None
    assert alone.hand.why == adapt.SWITCHED_OFF

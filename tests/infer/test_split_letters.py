"""Letters located as two, from drawn boxes: that a letter is no wider than this hand writes it, and
that nothing stands inside a closed letter, is common knowledge of the script; no outside source."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean
from crownlet.datasets.scribal.alphabet import index_of
from crownlet.datasets.scribal.portion import Portion
from crownlet.datasets.scribal.texts import load_portion
from crownlet.infer import Inspector
from crownlet.infer.hand.split_letters import JoinedLetters, join_split_letters
from crownlet.infer.pipeline import Stopwatch, read_letters
from crownlet.infer.records import Assessed, Located
from crownlet.infer.text.match import align_to_portion

Q, GAP = 10.0, 3.0
WIDTHS_Q = {"מ": 2.6, "כ": 2.4, "נ": 2.0, "י": 0.9, "ו": 0.9, "ש": 3.3, "ל": 2.6, "צ": 2.8}
WORD = "משלכנוי"


def written(letters: str, boxes: dict[int, tuple[float, float]] | None = None) -> Located:
    """A line of letters as wide as usual; `boxes` moves some, left and right in px from the right
    edge of the letter before."""
    rows, right = [], 0.0
    for k, letter in enumerate(letters):
        low, high = (boxes or {}).get(k, (-WIDTHS_Q[letter] * Q, 0.0))
        rows.append((right + low, 0.0, right + high, 3 * Q))
        right = min(right, right + low) - GAP
    box = np.array(rows)
    middle = (box[:, 0] + box[:, 2]) / 2
    body = np.column_stack([middle, np.zeros(len(box)), np.full(len(box), 3 * Q), 0 * middle])
    return Located(body, box, np.ones(len(box)), np.full((len(box), 27), 1 / 27))


def read_as(letters: str, p: float = 0.98) -> Assessed:
    count = len(letters)
    odds = np.full((count, 28), (1 - p) / 27)
    odds[np.arange(count), [index_of(c) for c in letters]] = p
    none = np.zeros((count, 0))
    parts = np.zeros((count, 6, 32, 24), np.uint8)
    return Assessed(odds, none, np.zeros((count, 5)), parts, np.zeros(count, bool))


def joined(
    found: Located, letters: str, words: tuple[str, ...], again: str
) -> JoinedLetters | None:
    """What is joined where every box around two is read as `again`."""
    odds = read_as(letters).letters[:, :27]
    aligned = align_to_portion(
        odds, np.zeros(len(letters)), Portion("text", words, None, frozenset())
    )
    line = np.zeros(len(letters), np.int64)

    def assess(boxes: Located) -> Assessed:
        return read_as(again * len(boxes))

    return join_split_letters(found, read_as(letters), odds, line, aligned, assess)


def test_a_mem_cut_into_kaf_and_vav_is_one_letter() -> None:
    letters, at = WORD * 3 + "כו" + WORD, 3 * len(WORD)
    found = written(letters, {at: (-16.0, 0.0), at + 1: (-8.0, 3.0)})
    result = joined(found, letters, (WORD * 3 + "מ" + WORD,), "מ")
    assert result is not None
    (kept,), (dropped,) = result.kept.tolist(), result.dropped.tolist()
    assert {kept, dropped} == {at, at + 1}
    left, _, right, _ = result.found.box[0]
    assert right - left == pytest.approx(27.0)  # 16 px and 11 px that meet
    both, again, stays = result.put_into(found, read_as(letters))
    assert both.box[kept].tolist() == result.found.box[0].tolist()
    assert again.letters[kept].argmax() == index_of("מ")
    assert np.flatnonzero(~stays).tolist() == [dropped]


def test_it_has_to_be_read_as_the_letter_of_the_text() -> None:
    letters, at = WORD * 3 + "כו" + WORD, 3 * len(WORD)
    found = written(letters, {at: (-16.0, 0.0), at + 1: (-8.0, 3.0)})
    assert joined(found, letters, (WORD * 3 + "מ" + WORD,), "ש") is None


@pytest.mark.parametrize("letter", ["מ", "כ", "נ", "ש", "ל", "ו", "י"])
@pytest.mark.parametrize("extra", ["ו", "י"])
def test_a_letter_written_in_excess_stays(letter: str, extra: str) -> None:
    """Whatever both together are read as: they are wider than the hand writes the letter."""
    letters = WORD * 3 + letter + extra + WORD
    assert joined(written(letters), letters, (WORD * 3 + letter + WORD,), letter) is None


@pytest.mark.parametrize(("letter", "one"), [("מ", True), ("נ", False)])
def test_nothing_stands_within_a_closed_letter_and_a_yud_may_over_the_base_of_a_nun(
    letter: str, one: bool
) -> None:
    letters = WORD * 3 + letter + "י" + "ש"
    at = 3 * len(WORD) + 1
    found = written(letters, {at: (-8.0 + 12.0, 12.0)})
    result = joined(found, letters, (WORD * 3 + letter + "ש",), letter)
    assert (result is not None) == one


@pytest.fixture(scope="module")
def inspector() -> Inspector:
    return Inspector(measure="none")


def halved(found: Located, row: int) -> Located:
    """The letters with one of them as two boxes, each of half its width."""
    x0, y0, x1, y1 = found.box[row]
    middle = (x0 + x1) / 2
    rows = np.append(np.arange(len(found)), row)
    two = found.take(rows)
    for k, (left, right) in ((row, (middle, x1)), (len(found), (x0, middle))):
        two.box[k] = left, y0, right, y1
        two.body[k, 0] = (left + right) / 2
    return two


def read_without(change: Callable[[Located], Located], inspector: Inspector, seed: int) -> str:
    page = inspector.load(compose(clean(portion="shema", split="heldout"), seed).image)
    rules = inspector._rules(load_portion("shema"))
    assert rules.assess is not None
    found = change(page.detected.found)
    rows = np.minimum(np.arange(len(found)), len(page.detected.found) - 1)
    detected = replace(
        page.detected, found=found, assessed=rules.assess(page.detected.fitted, found),
        measures=page.detected.measures.take(rows),
    )  # fmt: skip
    return read_letters(detected, rules, Stopwatch()).read.page.letters


def test_a_drawn_letter_cut_in_two_is_read_as_it_was(inspector: Inspector) -> None:
    """A drawn page is the outside truth: it holds the letters of its text."""
    text = load_portion("shema").letters
    assert read_without(lambda found: found, inspector, 3) == text

    def cut(found: Located) -> Located:
        wide = (found.box[:, 2] - found.box[:, 0]) * np.isin(
            found.letters.argmax(1), [index_of("מ")]
        )
        return halved(found, int(wide.argmax()))

    assert read_without(cut, inspector, 3) == text

"""Runs move to where words begin, and only where the letters on both sides are the same."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from crownlet.datasets.scribal.alphabet import index_of
from crownlet.infer.text.alignment import normalise_indels


def run(expected: list[int], page: str, words: str) -> list[int]:
    text = words.replace(" ", "")
    starts = np.array([k == 0 or words[i - 1] == " " for i, k in _letters(words)])
    codes = [np.array([index_of(c) for c in letters], np.int64) for letters in (page, text)]
    return normalise_indels(np.array(expected), *codes, starts).tolist()


def _letters(words: str) -> list[tuple[int, int]]:
    places = [i for i, c in enumerate(words) if c != " "]
    return [(i, k) for k, i in enumerate(places)]


def test_an_absent_run_becomes_whole_words() -> None:
    # Text "ab gb d", page "ab d": "b g" is as well absent as "gb".
    assert run([0, 3, 4], "אבד", "אב גב ד") == [0, 1, 4]
    assert run([0, 1, 4], "אבד", "אב גב ד") == [0, 1, 4]


def test_an_extra_run_becomes_the_later_copy() -> None:
    # Text "ab g", page "ab ab g": "ba" in the middle is as well extra as the second "ab".
    assert run([0, -1, -1, 1, 2], "אבאבג", "אב ג") == [0, 1, -1, -1, 2]
    assert run([-1, -1, 0, 1, 2], "אבאבג", "אב ג") == [0, 1, -1, -1, 2]


def test_exchanged_neighbours_answer_each_other() -> None:
    assert run([0, 2, -1, 3], "אגבד", "אבגד") == [0, 1, 2, 3]
    assert run([0, -1, 1, 3], "אגבד", "אבגד") == [0, 1, 2, 3]
    assert run([0, -1, 2, 3], "אגגד", "אבגד") == [0, -1, 2, 3]


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_settling_keeps_order_and_what_agrees(data: st.DataObject) -> None:
    words = data.draw(st.text("אבג ", min_size=1, max_size=14)).strip() or "א"
    words = " ".join(words.split())
    text = words.replace(" ", "")
    kept = data.draw(st.lists(st.integers(-1, len(text) - 1), max_size=12))
    expected, last = [], -1
    for j in kept:
        expected.append(j if j > last else -1)
        last = max(last, expected[-1])
    page = "".join(text[j] if j >= 0 else data.draw(st.sampled_from("אבג")) for j in expected)
    result = run(expected, page, words)
    answered = [j for j in result if j >= 0]
    assert answered == sorted(set(answered))
    same = sum(page[i] == text[j] for i, j in enumerate(result) if j >= 0)
    # No agreement is lost, and no letter is dropped; two exchanged letters disagree instead of one.
    assert len(answered) >= sum(j >= 0 for j in expected)
    crossed = len(answered) - sum(j >= 0 for j in expected)
    assert same == sum(j >= 0 for j in expected) - crossed

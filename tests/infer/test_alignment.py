"""Alignment against known edits of the text, a plain reference, `difflib` and `rapidfuzz`."""

from __future__ import annotations

import difflib
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rapidfuzz.distance import Levenshtein

from crownlet.datasets.scribal.alphabet import LETTERS, index_of
from crownlet.datasets.scribal.texts import load_portion
from crownlet.infer.text import alignment as module
from crownlet.infer.text.alignment import Alignment, EditCosts, align

TEXT = load_portion("mezuzah").letters


def classes(text: str) -> npt.NDArray[np.int64]:
    return np.array([index_of(c) for c in text], np.int64)


def seen(text: str, sure: float = 0.97) -> npt.NDArray[np.float64]:
    """What a fairly sure network says of a page that reads `text`."""
    odds = np.full((len(text), 27), (1 - sure) / 26)
    odds[np.arange(len(text)), classes(text)] = sure
    return odds


def test_the_text_itself_and_its_speed(relative_time: Callable[..., float]) -> None:
    result = align(seen(TEXT), classes(TEXT))
    assert result.expected.tolist() == list(range(713))
    assert result.absent == []
    # Measured 0.4, 0.02 s: the card holds the figure. Cell by cell in Python it would be ten.
    assert relative_time(lambda: align(seen(TEXT), classes(TEXT))) < 5


@pytest.mark.parametrize("at", [0, 1, 100, 355, 711, 712])
def test_one_letter_absent(at: int) -> None:
    result = align(seen(TEXT[:at] + TEXT[at + 1 :]), classes(TEXT))
    (absent,) = result.absent
    # Of two equal neighbours either may be called the absent one.
    low, high = sorted((absent, at))
    assert len(set(TEXT[low : high + 1])) == 1
    assert (result.expected >= 0).all()


@pytest.mark.parametrize("at", [0, 5, 300, 713])
def test_one_letter_extra(at: int) -> None:
    page = TEXT[:at] + "ף" + TEXT[at:]
    result = align(seen(page), classes(TEXT))
    assert np.flatnonzero(result.expected < 0).tolist() == [at]
    assert result.absent == []


def test_swapped_letters_stay_in_place() -> None:
    page = "".join("ט" if i % 71 == 3 else c for i, c in enumerate(TEXT))
    assert align(seen(page), classes(TEXT)).expected.tolist() == list(range(713))


def test_a_word_lost_and_a_word_doubled() -> None:
    words = list(load_portion("mezuzah").words)
    lost = "".join(words[:40] + words[41:])
    start = sum(map(len, words[:40]))
    assert align(seen(lost), classes(TEXT)).absent == list(range(start, start + len(words[40])))
    doubled = "".join([*words[:41], words[40], *words[41:]])
    result = align(seen(doubled), classes(TEXT))
    assert int((result.expected < 0).sum()) == len(words[40])
    assert result.absent == []


def test_a_piece_of_the_text() -> None:
    result = align(seen(TEXT[200:460]), classes(TEXT))
    assert result.expected.tolist() == list(range(200, 460))


def test_word_gaps_place_the_absent_one_of_two_equal_letters() -> None:
    # "AB BA": one B is missing; the gap before the one that is left shows which.
    text, starts = classes("אבבא"), np.array([True, False, True, False])
    for opens, absent in (([1.0, 0.02, 0.98], 2), ([1.0, 0.98, 0.02], 1)):
        result = align(seen("אבא"), text, starts, np.array(opens))
        assert result.absent == [absent]


def test_edits_are_those_that_difflib_finds() -> None:
    """The standard library's matcher as reference, on edits that lie far apart."""
    rng = np.random.default_rng(4)
    page = list(TEXT)
    for at in sorted(rng.choice(range(20, 690, 30), 12, replace=False), reverse=True):
        kind = rng.integers(3)
        if kind == 0:
            del page[at]
        elif kind == 1:
            page.insert(int(at), "ף")
        else:
            page[at] = "ץ" if page[at] != "ץ" else "ט"
    result = align(seen("".join(page)), classes(TEXT))
    matcher = difflib.SequenceMatcher(None, TEXT, "".join(page), autojunk=False)
    for block in matcher.get_matching_blocks():
        if block.size >= 4:
            span = result.expected[block.b : block.b + block.size].tolist()
            assert span == list(range(block.a, block.a + block.size))


def reference(costs: npt.NDArray[np.float64], cut: frozenset[int] = frozenset()) -> float:
    """Cheapest alignment by the textbook recursion (Gotoh 1982), cell by cell."""
    count, length = costs.shape
    big = 1e9
    best = np.full((count + 1, length + 1), big)
    absent, extra = best.copy(), best.copy()
    best[0, 0] = 0
    for i in range(count + 1):
        outside = i in (0, count) or i - 1 in cut
        each = module.OUTSIDE_LETTER_COST if outside else module.ABSENT_EXTEND_COST
        for j in range(length + 1):
            if j:
                opened = best[i, j - 1] + module.ABSENT_OPEN_COST + each
                absent[i, j] = min(opened, absent[i, j - 1] + each)
            if i:
                opened = best[i - 1, j] + module.EXTRA_OPEN_COST + module.EXTRA_EXTEND_COST
                extra[i, j] = min(opened, extra[i - 1, j] + module.EXTRA_EXTEND_COST)
            match = best[i - 1, j - 1] + costs[i - 1, j - 1] if i and j else big
            best[i, j] = min(best[i, j], match, absent[i, j], extra[i, j])
    return float(best[count, length])


def cost_of(result: Alignment, costs: npt.NDArray[np.float64]) -> float:
    """What an alignment costs, counted from its answer alone."""
    total, count, j = 0.0, len(result.expected), 0
    i = 0
    while i < count:
        if result.expected[i] < 0:
            total += module.EXTRA_OPEN_COST
            while i < count and result.expected[i] < 0:
                total += module.EXTRA_EXTEND_COST
                i += 1
            continue
        jump = int(result.expected[i]) - j
        if jump:
            inside = (result.expected[:i] >= 0).any()
            total += module.ABSENT_OPEN_COST
            total += jump * (module.ABSENT_EXTEND_COST if inside else module.OUTSIDE_LETTER_COST)
        total += float(costs[i, result.expected[i]])
        j, i = int(result.expected[i]) + 1, i + 1
    if j < result.length:
        total += module.ABSENT_OPEN_COST + (result.length - j) * module.OUTSIDE_LETTER_COST
    return total


@pytest.mark.parametrize("seed", range(25))
def test_no_alignment_is_cheaper(seed: int) -> None:
    rng = np.random.default_rng(seed)
    length = int(rng.integers(1, 14))
    text = "".join(rng.choice(list(LETTERS[:4]), length))
    page = "".join(rng.choice(list(LETTERS[:4]), int(rng.integers(1, 14))))
    odds = rng.dirichlet(np.full(27, 0.3), len(page)) * 0.4 + seen(page) * 0.6
    result = align(odds, classes(text))
    costs = module._substitution_costs(odds)[:, classes(text)]
    assert result.cost == pytest.approx(reference(costs), abs=1e-3)
    assert cost_of(result, costs) == pytest.approx(result.cost, abs=1e-3)


def test_nothing_on_either_side() -> None:
    assert align(np.zeros((0, 27)), classes("אב")).absent == [0, 1]
    assert align(seen("אב"), classes("")).expected.tolist() == [-1, -1]


@pytest.mark.parametrize("seed", range(15))
def test_none_is_cheaper_where_the_frame_cuts(seed: int) -> None:
    rng = np.random.default_rng(seed)
    text = "".join(rng.choice(list(LETTERS[:4]), int(rng.integers(1, 14))))
    page = "".join(rng.choice(list(LETTERS[:4]), int(rng.integers(1, 14))))
    cut = rng.random(len(page)) < 0.4
    result = align(seen(page), classes(text), cut=cut)
    costs = module._substitution_costs(seen(page))[:, classes(text)]
    rows = frozenset(int(i) for i in np.flatnonzero(cut))
    assert result.cost == pytest.approx(reference(costs, rows), abs=1e-3)


UNIT = EditCosts(max_substitution=1.0, open_absent=0.0, extend_absent=1.0, outside=1.0,
                 open_extra=0.0, extend_extra=1.0)  # fmt: skip
SHORT = st.text(alphabet="אבגד", max_size=18)


@settings(max_examples=300, deadline=None)
@given(page=SHORT, text=SHORT)
def test_with_every_edit_at_one_the_cost_is_the_levenshtein_distance(page: str, text: str) -> None:
    """Reference: rapidfuzz."""
    result = align(np.eye(27)[classes(page)], classes(text), edit_costs=UNIT)
    assert result.cost == pytest.approx(Levenshtein.distance(page, text), abs=0.1)
    pairs = [j for j in result.expected.tolist() if j >= 0]
    assert pairs == sorted(set(pairs))


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_sparse_edits_are_as_many_as_rapidfuzz_counts(seed: int) -> None:
    """With the usual prices: edits that lie apart are found in the least number."""
    rng = np.random.default_rng(seed)
    page = list(TEXT)
    for at in sorted(rng.choice(range(10, 700, 15), 10, replace=False), reverse=True):
        page[at : at + int(rng.integers(0, 2))] = rng.choice(list(LETTERS), int(rng.integers(0, 2)))
    result = align(seen("".join(page)), classes(TEXT))
    answered = [(i, int(j)) for i, j in enumerate(result.expected) if j >= 0]
    swapped = sum(page[i] != TEXT[j] for i, j in answered)
    edits = swapped + (len(page) - len(answered)) + len(result.absent)
    assert edits == Levenshtein.distance("".join(page), TEXT)


@pytest.mark.parametrize(("length", "most"), [(713, 5), (2500, 30)])
def test_speed(length: int, most: float, relative_time: Callable[..., float]) -> None:
    text = classes((TEXT * 4)[:length])
    # Measured 0.4, and 2 to 7 where others use the memory too.
    assert relative_time(lambda: align(np.eye(27)[text], text)) < most

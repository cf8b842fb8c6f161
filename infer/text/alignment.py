"""The letters of a page laid against the expected text: who answers whom, what is absent or extra.

Dynamic programming over whole rows at once: what it costs to read glyph i as letter j is the
network's own surprise; absent and extra runs have affine costs (Gotoh 1982), so that a lost word
counts as one mishap. The text may go on beyond both ends of the page, and wherever the frame of the
picture cuts it off, at little cost.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from crownlet.infer.records import Floats, Ints

MAX_SUBSTITUTION_COST = 7.0
"""Most that one wrong letter may cost: less than one absent and one extra."""

ABSENT_OPEN_COST, ABSENT_EXTEND_COST = 3.5, 2.0

EXTRA_OPEN_COST, EXTRA_EXTEND_COST = 3.5, 2.0

OUTSIDE_LETTER_COST = 0.25
"""For each letter of the text before the page's first and after its last."""

WORD_GAP_WEIGHT = 0.6
"""How much a word gap that is or is not there says beside the letters."""


@dataclass(frozen=True)
class EditCosts:
    """What each mishap costs: to open a run of absent or extra letters, and each letter of it."""

    dearest: float = MAX_SUBSTITUTION_COST
    open_absent: float = ABSENT_OPEN_COST
    next_absent: float = ABSENT_EXTEND_COST
    next_outside: float = OUTSIDE_LETTER_COST
    open_extra: float = EXTRA_OPEN_COST
    next_extra: float = EXTRA_EXTEND_COST


DEFAULT_COSTS = EditCosts()


@dataclass(frozen=True)
class Alignment:
    """`expected` (N,) is each glyph's index in the text, -1 for an extra glyph; `cost` the sum."""

    expected: Ints
    length: int
    cost: float

    @property
    def absent(self) -> list[int]:
        """Indices of letters of the text that no glyph answers, both ends included."""
        there = np.zeros(self.length, bool)
        there[self.expected[self.expected >= 0]] = True
        return [int(j) for j in np.flatnonzero(~there)]


def align(
    letters: Floats,
    text: Ints,
    word_starts: npt.NDArray[np.bool_] | None = None,
    opens: Floats | None = None,
    cut: npt.NDArray[np.bool_] | None = None,
    prices: EditCosts = DEFAULT_COSTS,
) -> Alignment:
    """Align glyphs to a text.

    `letters` (N, 27) are probabilities in reading order; `text` (M,) class numbers; `word_starts`
    (M,) tells where words begin in the text and `opens` (N,) how likely one begins at each glyph;
    `cut` (N,) tells after which glyphs the frame may hide text.
    """
    costs = _substitution_costs(letters, text, prices.dearest)
    if word_starts is not None and opens is not None and len(text) and len(letters):
        sure = np.clip(opens, 0.03, 0.97)
        begun, inside = -np.log(sure), -np.log(1 - sure)
        costs += WORD_GAP_WEIGHT * np.where(word_starts[None, :], begun[:, None], inside[:, None])
    each = np.full(len(letters) + 1, prices.next_absent)
    each[[0, -1]] = prices.next_outside
    if cut is not None:
        each[1:][cut] = prices.next_outside
    return _gotoh(costs.astype(np.float32), each, prices)


def _substitution_costs(
    letters: Floats, text: Ints, dearest: float = MAX_SUBSTITUTION_COST
) -> Floats:
    chance = 0.999 * letters + 0.001 / letters.shape[1]
    return np.minimum(-np.log(np.maximum(chance, 1e-12)), dearest)[:, text]


def _gotoh(costs: npt.NDArray[np.float32], each: Floats, prices: EditCosts) -> Alignment:
    """Cheapest path through costs (N, M), a whole row at a time.

    `each` (N + 1,) is what every absent letter costs after so many glyphs.
    """
    count, length = costs.shape
    steps = np.arange(length + 1, dtype=np.float32)
    closed = np.full((count + 1, length + 1), np.inf, np.float32)  # no absent run ends here
    closed[0, 0] = 0.0
    matched = np.zeros((count + 1, length + 1), bool)
    goes_on = np.zeros((count + 1, length + 1), bool)  # the extra run reaches back further
    skips = np.zeros((count + 1, length + 1), bool)  # an absent run ends here
    best = (prices.open_absent + each[0] * steps).astype(np.float32)
    best[0] = 0.0
    skips[0, 1:] = True
    extra = np.full(length + 1, np.inf, np.float32)
    for i in range(1, count + 1):
        fresh = best + (prices.open_extra + prices.next_extra)
        goes_on[i] = extra + prices.next_extra < fresh
        extra = np.minimum(fresh, extra + prices.next_extra)
        match = best[:-1] + costs[i - 1]
        matched[i, 1:] = match <= extra[1:]
        closed[i, 0] = extra[0]
        np.minimum(match, extra[1:], out=closed[i, 1:])
        along = np.float32(each[i]) * steps
        run = np.minimum.accumulate(closed[i] - along)
        absent = run[:-1] + (np.float32(prices.open_absent) + along[1:])
        skips[i, 1:] = absent < closed[i, 1:]
        best = closed[i].copy()
        np.minimum(best[1:], absent, out=best[1:])
    expected = _trace_back(closed, matched, goes_on, skips, each)
    return Alignment(expected, length, float(best[-1]))


def _trace_back(
    closed: npt.NDArray[np.float32],
    matched: npt.NDArray[np.bool_],
    goes_on: npt.NDArray[np.bool_],
    skips: npt.NDArray[np.bool_],
    each: Floats,
) -> Ints:
    """Walk back from the end: each glyph's index in the text, -1 for an extra one."""
    count, j = closed.shape[0] - 1, closed.shape[1] - 1
    expected = np.full(count, -1, np.int64)
    i = count
    while i > 0:
        if skips[i, j]:
            along = np.float32(each[i]) * np.arange(j, dtype=np.float32)
            j = int(np.argmin(closed[i, :j] - along))
        if matched[i, j]:
            expected[i - 1] = j - 1
            i, j = i - 1, j - 1
            continue
        while goes_on[i, j]:
            i -= 1
        i -= 1
    return expected


Bools = npt.NDArray[np.bool_]


def normalise_indels(expected: Ints, read: Ints, text: Ints, starts: Bools) -> Ints:
    """The alignment `expected` (N,) settled.

    `read` (N,) and `text` (M,) are classes, `starts` (M,) tells where words begin.
    """
    moved = _move_absent_to_words(expected.copy(), text, starts)
    moved = _move_extra_between_words(moved, read, starts)
    return _pair_exchanged(moved, read, text)


def _word_begins(starts: Bools, j: int) -> bool:
    return j >= len(starts) or bool(starts[j])


def _move_absent_to_words(expected: Ints, text: Ints, starts: Bools) -> Ints:
    """Runs of absent letters begin and end with words where they can."""
    for i in range(1, len(expected)):
        first, last = int(expected[i - 1]) + 1, int(expected[i]) - 1
        if expected[i - 1] < 0 or last - first < 1:
            continue
        if _word_begins(starts, first) and _word_begins(starts, last + 1):
            continue
        shift = _shift_to_words(expected, i, first, last, text, starts)
        for k in range(abs(shift)):
            # Letters cross the run one by one, each keeping its like.
            if shift < 0:
                expected[i - 1 - k] = last - k
            else:
                expected[i + k] = first + k
    return expected


def _shift_to_words(
    expected: Ints, i: int, first: int, last: int, text: Ints, starts: Bools
) -> int:
    """The least shift of a run, left (< 0) or right, that makes it whole words; 0 if none."""
    best = 0
    for side in (-1, 1):
        for k in range(1, last - first + 2):
            glyph = i - k if side < 0 else i + k - 1
            if not 0 <= glyph < len(expected):
                break
            here, there = (first - k, last - k + 1) if side < 0 else (last + k, first + k - 1)
            if expected[glyph] != here or text[here] != text[there]:
                break
            if _word_begins(starts, first + side * k) and _word_begins(starts, last + 1 + side * k):
                best = side * k if not best or k < abs(best) else best
                break
    return best


def _move_extra_between_words(expected: Ints, read: Ints, starts: Bools) -> Ints:
    """Runs of extra letters stand between words where they can: the later copy is the extra one."""
    i = 0
    while i < len(expected):
        if expected[i] >= 0:
            i += 1
            continue
        stop = i
        while stop < len(expected) and expected[stop] < 0:
            stop += 1
        if stop - i >= 2:
            _move_extra_run(expected, i, stop, read, starts)
        i = stop
    return expected


def _move_extra_run(expected: Ints, first: int, stop: int, read: Ints, starts: Bools) -> None:
    """Move the extra run `first` to `stop`, the later place before the earlier."""
    for shift in (*range(stop - first, 0, -1), *range(-1, first - stop - 1, -1)):
        if _can_move(expected, first, stop, shift, read) and _stands_between_words(expected, first, stop, shift,
                                                                     starts):  # fmt: skip
            rows = range(abs(shift))
            if shift > 0:
                answers = [int(expected[stop + k]) for k in rows]
                expected[first + shift : stop + shift] = -1
                expected[first : first + shift] = answers
            else:
                answers = [int(expected[first - 1 - k]) for k in rows]
                expected[first + shift : stop + shift] = -1
                expected[stop + shift : stop] = answers[::-1]
            return
        if shift == 1 and _stands_between_words(expected, first, stop, 0, starts):
            return


def _can_move(expected: Ints, first: int, stop: int, shift: int, read: Ints) -> bool:
    """Whether the glyphs that would cross the run have their likes at its other end."""
    for k in range(abs(shift)):
        a, b = (first + k, stop + k) if shift > 0 else (stop - 1 - k, first - 1 - k)
        if not 0 <= b < len(expected) or expected[b] < 0 or read[a] != read[b]:
            return False
    return True


def _stands_between_words(expected: Ints, first: int, stop: int, shift: int, starts: Bools) -> bool:
    """Whether the moved run would stand between two words of the text."""
    if shift > 0:
        before = int(expected[stop + shift - 1])
    else:
        before = int(expected[first + shift - 1]) if first + shift > 0 else -1
    return _word_begins(starts, before + 1)


def _pair_exchanged(expected: Ints, read: Ints, text: Ints) -> Ints:
    """Two neighbours that stand in each other's place answer each other's letter."""
    for i in range(len(expected) - 1):
        here, after = int(expected[i]), int(expected[i + 1])
        pair = here - 1 if here >= 1 and after < 0 else after if here < 0 else -1
        if pair < 0 or pair + 1 >= len(text):
            continue
        if not read[i] == text[pair + 1] != text[pair] == read[i + 1]:
            continue
        free = _is_free_before(expected, i, pair, text) if here >= 1 else _is_free_after(
            expected, i + 1, pair + 1, text)  # fmt: skip
        if free:
            expected[i], expected[i + 1] = pair, pair + 1
    return expected


def _is_free_before(expected: Ints, i: int, j: int, text: Ints) -> bool:
    """Whether letter `j`, just before that of glyph `i`, is absent, or its like before it is."""
    before = expected[:i][expected[:i] >= 0]
    if not len(before) or int(before[-1]) < j:
        return True
    alike = j >= 1 and expected[i - 1] == j and text[j - 1] == text[j]
    if alike and (len(before) == 1 or int(before[-2]) < j - 1):
        expected[i - 1] = j - 1
        return True
    return False


def _is_free_after(expected: Ints, i: int, j: int, text: Ints) -> bool:
    """Whether letter `j`, just after that of glyph `i`, is absent, or its like after it is."""
    later = expected[i + 1 :][expected[i + 1 :] >= 0]
    if not len(later) or int(later[0]) > j:
        return True
    alike = j + 1 < len(text) and expected[i + 1] == j and text[j + 1] == text[j]
    if alike and (len(later) == 1 or int(later[1]) > j + 1):
        expected[i + 1] = j + 1
        return True
    return False

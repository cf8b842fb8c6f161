"""The letters of a page aligned to the expected text: which glyph is which letter, what is absent
or extra.

Dynamic programming over whole rows at once: the cost of reading glyph i as letter j is the
network's negative log probability; runs of absent and extra letters have affine costs (Gotoh 1982,
"An improved algorithm for matching biological sequences"), so that a lost word counts as one indel.
The text may continue beyond both ends of the page, and wherever the frame of the picture cuts it
off, at a low cost.

Where several alignments cost the same, `normalise_indels` takes the one that a person would name:
absent runs that are whole words, extra runs between words with the later copy as the extra one, and
two neighbours in each other's place as an exchange.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from crownlet.infer.limits import limits_of
from crownlet.infer.records import Bools, Floats, Ints

_LIMITS = limits_of("text.alignment")

WORD_START_P_RANGE = _LIMITS.span("word_start_p_range")
"""Limits of the probability that a word begins at a glyph, as a cost."""

MAX_SUBSTITUTION_COST = _LIMITS.number("max_substitution_cost")
"""Most that one substituted letter costs: less than one absent and one extra letter."""

ABSENT_OPEN_COST, ABSENT_EXTEND_COST = (
    _LIMITS.number("absent_open_cost"),
    _LIMITS.number("absent_extend_cost"),
)

EXTRA_OPEN_COST, EXTRA_EXTEND_COST = (
    _LIMITS.number("extra_open_cost"),
    _LIMITS.number("extra_extend_cost"),
)

EXTRA_STROKE_COST = _LIMITS.number("extra_stroke_cost")
"""Cost of a thin stroke that is no letter of the text: of a stroke and a vav beside it the vav is
the letter of the text, and a vav that lost its head is still no absent one."""

OUTSIDE_LETTER_COST = _LIMITS.number("outside_letter_cost")
"""Cost of each letter of the text before the page's first and after its last."""

WORD_GAP_WEIGHT = _LIMITS.number("word_gap_weight")
"""Weight of the word gaps beside that of the letters."""


@dataclass(frozen=True)
class EditCosts:
    """Costs of an alignment in nats: to open a run of absent or extra letters, and each letter of
    it."""

    max_substitution: float = MAX_SUBSTITUTION_COST
    open_absent: float = ABSENT_OPEN_COST
    extend_absent: float = ABSENT_EXTEND_COST
    outside: float = OUTSIDE_LETTER_COST
    open_extra: float = EXTRA_OPEN_COST
    extend_extra: float = EXTRA_EXTEND_COST


DEFAULT_COSTS = EditCosts()


@dataclass(frozen=True)
class Alignment:
    """`expected` (N,) is each glyph's index in the text, -1 for an extra glyph; `length` is that of
    the text in letters, `cost` the sum of the costs in nats."""

    expected: Ints
    length: int
    cost: float

    @property
    def absent(self) -> list[int]:
        """Indices of letters of the text that no glyph is aligned to, both ends included."""
        there = np.zeros(self.length, bool)
        there[self.expected[self.expected >= 0]] = True
        return [int(j) for j in np.flatnonzero(~there)]


def align(
    letters: Floats,
    text: Ints,
    word_starts: npt.NDArray[np.bool_] | None = None,
    word_start_p: Floats | None = None,
    cut: npt.NDArray[np.bool_] | None = None,
    edit_costs: EditCosts = DEFAULT_COSTS,
    thin: npt.NDArray[np.bool_] | None = None,
) -> Alignment:
    """Align glyphs to a text.

    `letters` (N, 27) are probabilities in reading order; `text` (M,) class numbers; `word_starts`
    (M,) marks where words begin in the text and `word_start_p` (N,) is the probability that one
    begins at each glyph; `cut` (N,) marks the glyphs after which the frame may hide text, `thin`
    (N,) those that are thin strokes.
    """
    by_class = _substitution_costs(letters, edit_costs.max_substitution)
    columns = text
    if word_starts is not None and word_start_p is not None:
        clipped = np.clip(word_start_p, *WORD_START_P_RANGE)[:, None]
        # Letters inside of words, and after these those that begin words.
        inside, begun = (by_class - WORD_GAP_WEIGHT * np.log(p) for p in (1 - clipped, clipped))
        columns = text + by_class.shape[1] * word_starts
        by_class = np.hstack([inside, begun])
    costs = by_class.astype(np.float32)[:, columns]
    absent_costs = np.full(len(letters) + 1, edit_costs.extend_absent)
    absent_costs[[0, -1]] = edit_costs.outside
    if cut is not None:
        absent_costs[1:][cut] = edit_costs.outside
    extra_costs = np.full((2, len(letters)), edit_costs.extend_extra)
    extra_costs[0] += edit_costs.open_extra
    if thin is not None:
        extra_costs[:, thin] = np.minimum(extra_costs[:, thin], EXTRA_STROKE_COST)
    return _gotoh(costs, absent_costs, extra_costs, edit_costs)


def _substitution_costs(letters: Floats, max_substitution: float = MAX_SUBSTITUTION_COST) -> Floats:
    """(N, 27) costs of reading each glyph as each letter."""
    chance = 0.999 * letters + 0.001 / letters.shape[1]
    result: Floats = np.minimum(-np.log(np.maximum(chance, 1e-12)), max_substitution)
    return result


def _gotoh(
    costs: npt.NDArray[np.float32],
    absent_costs: Floats,
    extra_costs: Floats,
    edit_costs: EditCosts,
) -> Alignment:
    """Cheapest path through costs (N, M), a whole row at a time.

    `absent_costs` (N + 1,) is the cost of each absent letter after 0 to N glyphs, `extra_costs`
    (2, N) that of each extra glyph as the first of its run, and as a later one.
    """
    count, length = costs.shape
    steps = np.arange(length + 1, dtype=np.float32)
    # Least cost of the first i glyphs and j letters, and the least where glyph i is extra.
    best = np.empty((count + 1, length + 1), np.float32)
    best[0] = edit_costs.open_absent + absent_costs[0] * steps
    best[0, 0] = 0.0
    extra = np.full((count + 1, length + 1), np.inf, np.float32)
    first, later = extra_costs.astype(np.float32)
    # Of most glyphs the costs of an absent run after them are the same.
    absent_runs: dict[float, tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]] = {}
    for i in range(1, count + 1):
        np.minimum(best[i - 1] + first[i - 1], extra[i - 1] + later[i - 1], out=extra[i])
        row, after_first = best[i], best[i, 1:]
        row[0] = extra[i, 0]
        np.minimum(best[i - 1, :-1] + costs[i - 1], extra[i, 1:], out=after_first)
        each = float(absent_costs[i])
        if each not in absent_runs:
            along = np.float32(each) * steps
            absent_runs[each] = along, np.float32(edit_costs.open_absent) + along[1:]
        along, opened = absent_runs[each]
        run = np.minimum.accumulate(row - along)
        np.minimum(after_first, run[:-1] + opened, out=after_first)
    expected = _trace_back(best, extra, costs, absent_costs, extra_costs)
    return Alignment(expected, length, float(best[-1, -1]))


def _trace_back(
    best: npt.NDArray[np.float32],
    extra: npt.NDArray[np.float32],
    costs: npt.NDArray[np.float32],
    absent_costs: Floats,
    extra_costs: Floats,
) -> Ints:
    """Follow the cheapest path from its end: each glyph's index in the text, -1 for an extra
    one.

    Which way a cell of the path was reached is computed again: of all cells it is needed for few.
    """
    i, j = costs.shape
    expected = np.full(i, -1, np.int64)
    first, later = extra_costs.astype(np.float32)
    while i > 0:
        matched = best[i - 1, j - 1] + costs[i - 1, j - 1] if j else np.inf
        if best[i, j] < min(matched, extra[i, j]):
            # An absent run ends here; it began where none ended.
            closed = np.minimum(best[i - 1, : j - 1] + costs[i - 1, : j - 1], extra[i, 1:j])
            closed = np.concatenate([extra[i, :1], closed])
            along = np.float32(absent_costs[i]) * np.arange(j, dtype=np.float32)
            j = int(np.argmin(closed - along))
            matched = best[i - 1, j - 1] + costs[i - 1, j - 1] if j else np.inf
        if matched <= extra[i, j]:
            expected[i - 1] = j - 1
            i, j = i - 1, j - 1
            continue
        while extra[i - 1, j] + later[i - 1] < best[i - 1, j] + first[i - 1]:
            i -= 1
        i -= 1
    return expected


def normalise_indels(expected: Ints, read: Ints, text: Ints, word_starts: Bools) -> Ints:
    """The alignment `expected` (N,) with its runs moved, at equal cost, to where words begin.

    `read` (N,) and `text` (M,) are classes, `word_starts` (M,) marks where words begin.
    """
    moved = _move_absent_to_words(expected.copy(), text, word_starts)
    moved = _move_extra_between_words(moved, read, word_starts)
    return _pair_exchanged(moved, read, text)


def _word_begins(word_starts: Bools, j: int) -> bool:
    return j >= len(word_starts) or bool(word_starts[j])


def _move_absent_to_words(expected: Ints, text: Ints, word_starts: Bools) -> Ints:
    """Runs of absent letters begin and end with words where they can."""
    for i in range(1, len(expected)):
        first, last = int(expected[i - 1]) + 1, int(expected[i]) - 1
        if expected[i - 1] < 0 or last - first < 1:
            continue
        if _word_begins(word_starts, first) and _word_begins(word_starts, last + 1):
            continue
        shift = _shift_to_words(expected, i, first, last, text, word_starts)
        for k in range(abs(shift)):
            # Letters cross the run one by one; each is aligned to an equal letter.
            if shift < 0:
                expected[i - 1 - k] = last - k
            else:
                expected[i + k] = first + k
    return expected


def _shift_to_words(
    expected: Ints, i: int, first: int, last: int, text: Ints, word_starts: Bools
) -> int:
    """Smallest shift of a run, left (< 0) or right, that makes it whole words; 0 if none."""
    best = 0
    for side in (-1, 1):
        for k in range(1, last - first + 2):
            glyph = i - k if side < 0 else i + k - 1
            if not 0 <= glyph < len(expected):
                break
            here, there = (first - k, last - k + 1) if side < 0 else (last + k, first + k - 1)
            if expected[glyph] != here or text[here] != text[there]:
                break
            if _word_begins(word_starts, first + side * k) and _word_begins(
                word_starts, last + 1 + side * k
            ):
                best = side * k if not best or k < abs(best) else best
                break
    return best


def _move_extra_between_words(expected: Ints, read: Ints, word_starts: Bools) -> Ints:
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
            _move_extra_run(expected, i, stop, read, word_starts)
        i = stop
    return expected


def _move_extra_run(expected: Ints, first: int, stop: int, read: Ints, word_starts: Bools) -> None:
    """Move the extra run `first` to `stop`; of two possible places the later is taken."""
    for shift in (*range(stop - first, 0, -1), *range(-1, first - stop - 1, -1)):
        if _can_move(expected, first, stop, shift, read) and _stands_between_words(
            expected, first, stop, shift, word_starts
        ):
            rows = range(abs(shift))
            if shift > 0:
                indices = [int(expected[stop + k]) for k in rows]
                expected[first + shift : stop + shift] = -1
                expected[first : first + shift] = indices
            else:
                indices = [int(expected[first - 1 - k]) for k in rows]
                expected[first + shift : stop + shift] = -1
                expected[stop + shift : stop] = indices[::-1]
            return
        if shift == 1 and _stands_between_words(expected, first, stop, 0, word_starts):
            return


def _can_move(expected: Ints, first: int, stop: int, shift: int, read: Ints) -> bool:
    """Whether the glyphs that would cross the run equal those at its other end."""
    for k in range(abs(shift)):
        a, b = (first + k, stop + k) if shift > 0 else (stop - 1 - k, first - 1 - k)
        if not 0 <= b < len(expected) or expected[b] < 0 or read[a] != read[b]:
            return False
    return True


def _stands_between_words(
    expected: Ints, first: int, stop: int, shift: int, word_starts: Bools
) -> bool:
    """Whether the moved run would stand between two words of the text."""
    if shift > 0:
        before = int(expected[stop + shift - 1])
    else:
        before = int(expected[first + shift - 1]) if first + shift > 0 else -1
    return _word_begins(word_starts, before + 1)


def _pair_exchanged(expected: Ints, read: Ints, text: Ints) -> Ints:
    """Align two neighbours that stand in each other's place as a pair."""
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
    """Whether letter `j`, just before that of glyph `i`, is absent, or an equal one before it
    is."""
    before = expected[:i][expected[:i] >= 0]
    if not len(before) or int(before[-1]) < j:
        return True
    alike = j >= 1 and expected[i - 1] == j and text[j - 1] == text[j]
    if alike and (len(before) == 1 or int(before[-2]) < j - 1):
        expected[i - 1] = j - 1
        return True
    return False


def _is_free_after(expected: Ints, i: int, j: int, text: Ints) -> bool:
    """Whether letter `j`, just after that of glyph `i`, is absent, or an equal one after it is."""
    later = expected[i + 1 :][expected[i + 1 :] >= 0]
    if not len(later) or int(later[0]) > j:
        return True
    alike = j + 1 < len(text) and expected[i + 1] == j and text[j + 1] == text[j]
    if alike and (len(later) == 1 or int(later[1]) > j + 1):
        expected[i + 1] = j + 1
        return True
    return False

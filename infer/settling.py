"""An alignment moved to where a reader would see its mishaps, at no cost.

Where the same letters stand on both sides of a run of absent or extra letters, the run may as well
begin elsewhere; a skipped or doubled word is named from where words begin. A letter absent on one
side of its neighbour and extra on the other is two letters exchanged.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from crownlet.infer.records import Ints

Bools = npt.NDArray[np.bool_]


def settled(expected: Ints, read: Ints, text: Ints, starts: Bools) -> Ints:
    """The alignment `expected` (N,) settled.

    `read` (N,) and `text` (M,) are classes, `starts` (M,) tells where words begin.
    """
    moved = _absent_runs(expected.copy(), text, starts)
    moved = _extra_runs(moved, read, starts)
    return _exchanged(moved, read, text)


def _begins(starts: Bools, j: int) -> bool:
    return j >= len(starts) or bool(starts[j])


def _absent_runs(expected: Ints, text: Ints, starts: Bools) -> Ints:
    """Runs of absent letters begin and end with words where they can."""
    for i in range(1, len(expected)):
        first, last = int(expected[i - 1]) + 1, int(expected[i]) - 1
        if expected[i - 1] < 0 or last - first < 1:
            continue
        if _begins(starts, first) and _begins(starts, last + 1):
            continue
        shift = _absent_shift(expected, i, first, last, text, starts)
        for k in range(abs(shift)):
            # Letters cross the run one by one, each keeping its like.
            if shift < 0:
                expected[i - 1 - k] = last - k
            else:
                expected[i + k] = first + k
    return expected


def _absent_shift(expected: Ints, i: int, first: int, last: int, text: Ints, starts: Bools) -> int:
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
            if _begins(starts, first + side * k) and _begins(starts, last + 1 + side * k):
                best = side * k if not best or k < abs(best) else best
                break
    return best


def _extra_runs(expected: Ints, read: Ints, starts: Bools) -> Ints:
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
            _place_extra(expected, i, stop, read, starts)
        i = stop
    return expected


def _place_extra(expected: Ints, first: int, stop: int, read: Ints, starts: Bools) -> None:
    """Move the extra run `first` to `stop`, the later place before the earlier."""
    for shift in (*range(stop - first, 0, -1), *range(-1, first - stop - 1, -1)):
        if _movable(expected, first, stop, shift, read) and _between(expected, first, stop, shift,
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
        if shift == 1 and _between(expected, first, stop, 0, starts):
            return


def _movable(expected: Ints, first: int, stop: int, shift: int, read: Ints) -> bool:
    """Whether the glyphs that would cross the run have their likes at its other end."""
    for k in range(abs(shift)):
        a, b = (first + k, stop + k) if shift > 0 else (stop - 1 - k, first - 1 - k)
        if not 0 <= b < len(expected) or expected[b] < 0 or read[a] != read[b]:
            return False
    return True


def _between(expected: Ints, first: int, stop: int, shift: int, starts: Bools) -> bool:
    """Whether the moved run would stand between two words of the text."""
    if shift > 0:
        before = int(expected[stop + shift - 1])
    else:
        before = int(expected[first + shift - 1]) if first + shift > 0 else -1
    return _begins(starts, before + 1)


def _exchanged(expected: Ints, read: Ints, text: Ints) -> Ints:
    """Two neighbours that stand in each other's place answer each other's letter."""
    for i in range(len(expected) - 1):
        here, after = int(expected[i]), int(expected[i + 1])
        pair = here - 1 if here >= 1 and after < 0 else after if here < 0 else -1
        if pair < 0 or pair + 1 >= len(text):
            continue
        if not read[i] == text[pair + 1] != text[pair] == read[i + 1]:
            continue
        free = _free(expected, i, pair, text) if here >= 1 else _free_after(
            expected, i + 1, pair + 1, text)  # fmt: skip
        if free:
            expected[i], expected[i + 1] = pair, pair + 1
    return expected


def _free(expected: Ints, i: int, j: int, text: Ints) -> bool:
    """Whether letter `j`, just before that of glyph `i`, is absent, or its like before it is."""
    before = expected[:i][expected[:i] >= 0]
    if not len(before) or int(before[-1]) < j:
        return True
    alike = j >= 1 and expected[i - 1] == j and text[j - 1] == text[j]
    if alike and (len(before) == 1 or int(before[-2]) < j - 1):
        expected[i - 1] = j - 1
        return True
    return False


def _free_after(expected: Ints, i: int, j: int, text: Ints) -> bool:
    """Whether letter `j`, just after that of glyph `i`, is absent, or its like after it is."""
    later = expected[i + 1 :][expected[i + 1 :] >= 0]
    if not len(later) or int(later[0]) > j:
        return True
    alike = j + 1 < len(text) and expected[i + 1] == j and text[j + 1] == text[j]
    if alike and (len(later) == 1 or int(later[1]) > j + 1):
        expected[i + 1] = j + 1
        return True
    return False

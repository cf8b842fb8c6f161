"""Runs of absent and extra letters told as what happened to the text, each as one place."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from crownlet.datasets.alphabet import index_of
from crownlet.infer.runs import Run
from crownlet.infer.telling import Teller, place_of, words_between
from crownlet.infer.text_places import Mishap, TextPlace

ALIKE = 0.8
"""An extra run is a second copy if so many of its letters are those of the first."""
PLAUSIBLE = 0.05
"""A letter may be another one of at least this probability."""
NEAR = 40
"""Words that stand elsewhere are looked for within so many letters."""
WHOLE_LINE = 12
"""Fewer letters that make up a line are called letters."""


def mishaps(teller: Teller, gone: Sequence[Run], extra: Sequence[Run]) -> tuple[TextPlace, ...]:
    """All places at which letters or words are absent, extra or exchanged, in reading order."""
    places = [_exchanged(teller, i) for i in _exchanges(teller)]
    left = list(extra)
    for run in gone:
        moved = next((e for e in left if _moved(teller, run, e)), None)
        if moved is None:
            places.append(_absent(teller, run))
        else:
            left.remove(moved)
            places.append(_extra(teller, moved, "words_exchanged"))
    places += [_extra(teller, run, _kind(teller, run)) for run in left]
    return tuple(sorted(places, key=lambda place: (place.after, place.mishap)))


def _absent(teller: Teller, run: Run) -> TextPlace:
    text, whole = words_between(teller.matched, run.first, run.last)
    kind: Mishap = "words_absent" if whole and run.length > 1 else "letters_absent"
    if run.length == 1:
        kind = "letter_absent"
    return place_of(teller, kind, text, run, ())


def _exchanges(teller: Teller) -> list[int]:
    """Glyphs that stand in each other's place with the next one."""
    expected, letters = teller.matched.alignment.expected, teller.letters
    text = teller.matched.text
    return [
        i
        for i in range(len(letters) - 1)
        if expected[i] >= 0
        and expected[i + 1] == expected[i] + 1
        and letters[i] == text[expected[i + 1]] != text[expected[i]] == letters[i + 1]
    ]


def _exchanged(teller: Teller, glyph: int) -> TextPlace:
    run = Run(glyph, glyph + 1, glyph - 1)
    letters = teller.letters[glyph : glyph + 2]
    return place_of(teller, "letters_exchanged", letters, run, (glyph + 1, glyph + 2))


def _moved(teller: Teller, run: Run, extra: Run) -> bool:
    """Whether an extra run is what is absent elsewhere nearby, word by word."""
    text, whole = words_between(teller.matched, run.first, run.last)
    near = abs(extra.before - run.before) <= NEAR + extra.length
    glyphs = teller.letters[extra.first : extra.last + 1]
    return whole and run.length > 1 and near and glyphs == text.replace(" ", "")


def _kind(teller: Teller, run: Run) -> Mishap:
    """What an extra run is: a second copy, whole lines, words or letters."""
    copy = _copy(teller, run)
    if copy is not None:
        return "letter_doubled" if run.length == 1 else "words_doubled"
    if run.length == 1:
        return "letter_extra"
    line = teller.layout.line
    begins = run.first == 0 or line[run.first - 1] != line[run.first]
    ends = run.last + 1 == len(line) or line[run.last] != line[run.last + 1]
    if begins and ends and run.length >= WHOLE_LINE:
        return "lines_extra"
    after = run.last + 1
    worded = teller.opens[run.first] >= 0.5 and (
        after == len(teller.opens) or teller.opens[after] >= 0.5
    )
    return "words_extra" if worded else "letters_extra"


def _copy(teller: Teller, run: Run) -> str | None:
    """The words of which an extra run is a second copy, those before it or after."""
    matched, size = teller.matched, run.length
    expected = matched.alignment.expected
    mine = teller.odds[run.first : run.last + 1]
    for first in (run.first - size, run.last + 1):
        glyphs = expected[max(first, 0) : first + size]
        if first < 0 or len(glyphs) < size or (glyphs < 0).any():
            continue
        low, high = int(glyphs[0]), int(glyphs[-1])
        if high - low != size - 1:
            continue
        text, whole = words_between(teller.matched, low, high)
        copied = [index_of(letter) for letter in text.replace(" ", "")]
        same = np.mean(mine[np.arange(size), copied] >= PLAUSIBLE)
        if same >= ALIKE and (whole or size == 1):
            return text
    return None


def _extra(teller: Teller, run: Run, kind: Mishap) -> TextPlace:
    copy = _copy(teller, run) if kind in ("words_doubled", "letter_doubled") else None
    shown = copy or "".join(
        (" " if i > run.first and teller.opens[i] >= 0.5 else "") + teller.letters[i]
        for i in range(run.first, run.last + 1)
    )
    return place_of(teller, kind, shown, run, tuple(range(run.first + 1, run.last + 2)))

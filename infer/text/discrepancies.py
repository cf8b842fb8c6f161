"""What differs between the page and its text, each run of absent or extra letters as one place.

A run becomes a word or words, letters, a whole line, a second copy or an exchange; each has one
message, in which Divine Names are veiled. Absent letters that the frame of the picture hides are
counted and not listed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from crownlet.datasets.scribal.alphabet import index_of
from crownlet.infer.layout.frame import HiddenText
from crownlet.infer.layout.lines import Layout
from crownlet.infer.limits import limits_of
from crownlet.infer.records import (
    LETTER_ABSENT,
    LETTER_EXTRA,
    LETTER_SWAPPED,
    Bools,
    DiscrepancyKind,
    Floats,
    Ints,
    Located,
    TextPlace,
)
from crownlet.infer.text.match import MIN_WORD_START_P, AlignedText
from crownlet.infer.view.wording import latin_name, veil_divine_names

_LIMITS = limits_of("text.discrepancies")

MIN_SURELY_READ_SHARE = _LIMITS.number("min_surely_read_share")
"""Share of surely read letters above which an extra or exchanged run is a finding."""

MIN_LETTERS_OFF_PAGE = _LIMITS.whole("min_letters_off_page")
"""A longer run of the text before the page's first or after its last letter is off the page."""

MIN_CUT_SHARE_OF_LINES = _LIMITS.number("min_cut_share_of_lines")
"""With this share of the lines that the frame may cut, and at least `MIN_CUT_LINES`, lacking
letters there, the frame has cut them."""

MIN_CUT_LINES = _LIMITS.whole("min_cut_lines")

MAX_WORDS_IN_MESSAGE = 8
"""Of longer runs the message gives the first and last words."""

MIN_COPY_AGREEMENT = _LIMITS.number("min_copy_agreement")
"""Share of the letters of an extra run that may be those of the run beside it, for a second
copy."""

MIN_ALTERNATIVE_LETTER_P = _LIMITS.number("min_alternative_letter_p")
"""A letter may be any one that has at least this probability."""

MAX_MOVED_DISTANCE_LETTERS = _LIMITS.whole("max_moved_distance_letters")
"""Distance over which words that stand elsewhere are looked for, beside their own length."""

MIN_LETTERS_OF_EXTRA_LINE = _LIMITS.whole("min_letters_of_extra_line")
"""Extra lines of fewer letters are listed as letters."""


@dataclass(frozen=True)
class TextContext:
    """The N letters of a page in reading order, as they are compared with a text."""

    odds: Floats
    """(N, 27) probability of each letter."""
    word_start_p: Floats
    """(N,) probability that a word begins at each."""
    letters: str
    found: Located
    layout: Layout
    size: tuple[int, int]
    """Width and height of the upright page, px."""
    min_sure_p: float
    """Probability from which a letter's class is sure."""
    frame: Floats | None = None
    """(4, 2) corners of the picture as given, px, where it was made straight."""
    thin: Bools | None = None
    """(N,) thin strokes, which may be no letters."""


@dataclass(frozen=True)
class Indel:
    """A run of absent letters, `first` to `last` of the text, or of extra glyphs, `first` to
    `last`; all from 0."""

    first: int
    last: int
    before: int
    """The glyph before the run; -1: none."""
    maybe_outside: bool = False
    """Whether absent letters may stand outside the picture."""

    @property
    def length(self) -> int:
        """Letters in the run."""
        return self.last - self.first + 1


def find_discrepancies(
    matched: AlignedText, page: TextContext, gone: Sequence[Indel], extra: Sequence[Indel]
) -> tuple[TextPlace, ...]:
    """All places at which letters or words are absent, extra or exchanged, in reading order."""
    places = [_exchanged_place(matched, page, i) for i in _find_exchanged(matched, page)]
    left = list(extra)
    for run in gone:
        moved = next((e for e in left if _is_moved(matched, page, run, e)), None)
        if moved is None:
            places.append(_absent_place(matched, page, run))
        else:
            left.remove(moved)
            places.append(_extra_place(matched, page, moved, "words_exchanged"))
    places += [_extra_place(matched, page, run, _extra_kind(matched, page, run)) for run in left]
    return tuple(sorted(places, key=lambda place: (place.after, place.mishap)))


def shown_span(matched: AlignedText) -> tuple[int, int]:
    """First and last letter of the text that belong on the page."""
    expected, length = matched.alignment.expected, matched.alignment.length
    aligned = expected[expected >= 0]
    if not len(aligned):
        return 0, length - 1
    first, last = int(aligned.min()), int(aligned.max())
    if not (matched.portion.excerpt or first > MIN_LETTERS_OFF_PAGE):
        first = 0
    if not (matched.portion.excerpt or length - 1 - last > MIN_LETTERS_OFF_PAGE):
        last = length - 1
    return first, last


def find_absent(matched: AlignedText, layout: Layout, view: HiddenText) -> tuple[list[Indel], int]:
    """Runs of absent letters, and the number of letters that the frame of the picture hides."""
    expected = matched.alignment.expected
    rows = np.flatnonzero(expected >= 0)
    first, last = shown_span(matched)
    edges = [(-1, first - 1), *((int(i), int(expected[i])) for i in rows), (-1, last + 1)]
    runs = []
    for (glyph, a), (_, b) in pairwise(edges):
        if b - a > 1:
            runs.append(Indel(a + 1, b - 1, glyph))
    cut = {run for run in runs if _stands_at(run, rows, view.after, view.before)}
    across = {run for run in cut if _crosses_columns(run, rows, layout)}
    breaks = int(view.after.sum()) - len(across)
    hidden = across
    if len(cut) - len(across) >= max(MIN_CUT_SHARE_OF_LINES * breaks, MIN_CUT_LINES):
        ends = {run for run in runs if run.before < 0 or (run is runs[-1] and run.last == last)}
        hidden = ends | across | {r for r in runs if _stands_at(r, rows, view.perhaps, view.before)}
    shown = [replace(run, maybe_outside=run in cut) for run in runs if run not in hidden]
    return shown, sum(run.length for run in hidden)


def _stands_at(run: Indel, rows: Ints, mask: Bools, before: bool) -> bool:
    """Whether `mask` (N,) is set where a run stands; `before` stands for the page's first
    letter."""
    return before if run.before < 0 else bool(mask[_last_glyph_before_next(run, rows)])


def _last_glyph_before_next(run: Indel, rows: Ints) -> int:
    """The last glyph, extra ones included, before the one that continues the text after a run."""
    k = int(np.searchsorted(rows, run.before))
    return int(rows[k + 1]) - 1 if k + 1 < len(rows) else run.before


def _crosses_columns(run: Indel, rows: Ints, layout: Layout) -> bool:
    at = _last_glyph_before_next(run, rows)
    return (
        run.before >= 0
        and at + 1 < len(layout.column)
        and layout.column[at] != layout.column[at + 1]
    )


def find_extra(matched: AlignedText) -> list[Indel]:
    """Runs of extra letters, without those of other texts."""
    runs: list[Indel] = []
    for i in np.flatnonzero(matched.alignment.expected < 0):
        glyph = int(i)
        if glyph in matched.foreign:
            continue
        if runs and runs[-1].last == glyph - 1:
            runs[-1] = Indel(runs[-1].first, glyph, runs[-1].before)
        else:
            runs.append(Indel(glyph, glyph, glyph - 1))
    return runs


def words_between(matched: AlignedText, first: int, last: int) -> tuple[str, bool]:
    """Letters `first` to `last` of the text, words divided, and whether they are whole words."""
    text = "".join(
        (" " if j > first and matched.word_starts[j] else "") + matched.text[j]
        for j in range(first, last + 1)
    )
    ends = last + 1 == len(matched.text) or bool(matched.word_starts[last + 1])
    return text, bool(matched.word_starts[first]) and ends


def text_place(
    matched: AlignedText,
    page: TextContext,
    mishap: DiscrepancyKind,
    letters: str,
    run: Indel,
    glyphs: tuple[int, ...],
) -> TextPlace:
    """The place of a run: absent letters where `glyphs` is empty, else those glyphs (from 1)."""
    defect = (
        LETTER_ABSENT
        if not glyphs
        else LETTER_SWAPPED
        if mishap == "letters_exchanged"
        else LETTER_EXTRA
    )
    words = _words_touched(matched, run, glyphs)
    if glyphs:
        rows = [glyph - 1 for glyph in glyphs]
        line = int(page.layout.line[rows[0]]) + 1
        x, y = page.found.anchors[rows].mean(axis=0)
        at = (float(x), float(y))
        in_name = any(matched.in_name(i) for i in rows)
        sure = _read_surely(page, rows)
    else:
        line, at = place_of_absent(matched, run, page.found, page.layout)
        in_name = any(j in matched.names for j in range(run.first, run.last + 1))
        sure = not run.maybe_outside
    otherwise = bool(words & matched.portion.variant_words)
    word = min(words, default=0)
    sentence = _sentence(mishap, letters, word + 1, matched.portion.words[word])
    return TextPlace(
        mishap=mishap, defect=defect, letters=letters, glyphs=glyphs, after=run.before + 1,
        line=line, word=word + 1, at=at, in_name=in_name,
        sure=sure and not otherwise, message=_with_limits(sentence, run, otherwise),
    )  # fmt: skip


def _read_surely(page: TextContext, rows: list[int]) -> bool:
    return bool(np.mean(page.odds[rows].max(axis=1) >= page.min_sure_p) > MIN_SURELY_READ_SHARE)


def _words_touched(matched: AlignedText, run: Indel, glyphs: tuple[int, ...]) -> set[int]:
    """Words of the text, from 0, in which a run stands, or after which it stands."""
    if not glyphs:
        return {int(matched.word_of[j]) for j in range(run.first, run.last + 1)}
    expected = matched.alignment.expected
    aligned = [int(expected[g - 1]) for g in glyphs if expected[g - 1] >= 0]
    if not aligned:
        before = expected[: run.first][expected[: run.first] >= 0]
        aligned = [int(before[-1])] if len(before) else []
    return {int(matched.word_of[j]) for j in aligned}


def place_of_absent(
    matched: AlignedText, run: Indel, found: Located, layout: Layout
) -> tuple[int, tuple[float, float]]:
    """Line, from 1, and place in px where absent letters would stand."""
    later = np.flatnonzero(matched.alignment.expected > run.last)
    around = [i for i in (run.before, int(later[0]) if len(later) else -1) if i >= 0]
    same = len({int(layout.line[i]) for i in around}) == 1
    at = found.anchors[around if same else around[:1]].mean(axis=0)
    return int(layout.line[around[0]]) + 1, (float(at[0]), float(at[1]))


def _with_limits(sentence: str, run: Indel, otherwise: bool) -> str:
    if run.maybe_outside:
        sentence += ", or outside the picture"
    if otherwise:
        sentence += "; sources differ in the spelling here"
    return sentence


def _sentence(mishap: DiscrepancyKind, letters: str, word: int, spelled: str) -> str:
    """What differs, in words; `word` is the first word concerned, from 1, and how it is spelled."""
    count, many = len(letters.replace(" ", "")), " " in letters
    shown = _shown(letters)
    if mishap == "letter_absent":
        return f"{latin_name(letters)} absent from {_shown(spelled)}, word {word} of the text"
    if mishap == "letters_absent":
        return f"{count} letters absent from word {word} of the text on: {shown}"
    if mishap == "words_absent":
        return f"{'words' if many else 'a word'} absent: {shown}"
    if mishap == "letter_doubled":
        return f"{latin_name(letters)} is written twice"
    if mishap == "words_doubled":
        return f"{'words are' if many else 'a word is'} written twice: {shown}"
    if mishap == "letter_extra":
        return f"{latin_name(letters)} that the text does not have here"
    if mishap == "lines_extra":
        return f"{count} letters in lines of their own that the text does not have here"
    if mishap == "letters_exchanged":
        return f"{latin_name(letters[0])} and {latin_name(letters[1])} exchanged"
    if mishap == "words_exchanged":
        return f"{'words stand' if many else 'a word stands'} elsewhere than in the text: {shown}"
    what = "words" if mishap == "words_extra" else f"{count} letters"
    return f"{what} that the text does not have here: {shown}"


def _shown(letters: str) -> str:
    """The words, Divine Names veiled; of many only the first and the last."""
    words = [veil_divine_names(word) for word in letters.split()]
    if len(words) > MAX_WORDS_IN_MESSAGE:
        words = [*words[:3], "…", *words[-2:], f"({len(letters.split())} words)"]
    return " ".join(words)


def _absent_place(matched: AlignedText, page: TextContext, run: Indel) -> TextPlace:
    text, whole = words_between(matched, run.first, run.last)
    kind: DiscrepancyKind = "words_absent" if whole and run.length > 1 else "letters_absent"
    if run.length == 1:
        kind = "letter_absent"
    return text_place(matched, page, kind, text, run, ())


def _find_exchanged(matched: AlignedText, page: TextContext) -> list[int]:
    """Glyphs that stand in each other's place with the next one."""
    expected, letters = matched.alignment.expected, page.letters
    text = matched.text
    return [
        i
        for i in range(len(letters) - 1)
        if expected[i] >= 0
        and expected[i + 1] == expected[i] + 1
        and letters[i] == text[expected[i + 1]] != text[expected[i]] == letters[i + 1]
    ]


def _exchanged_place(matched: AlignedText, page: TextContext, glyph: int) -> TextPlace:
    run = Indel(glyph, glyph + 1, glyph - 1)
    letters = page.letters[glyph : glyph + 2]
    return text_place(matched, page, "letters_exchanged", letters, run, (glyph + 1, glyph + 2))


def _is_moved(matched: AlignedText, page: TextContext, run: Indel, extra: Indel) -> bool:
    """Whether an extra run is what is absent elsewhere nearby, word by word."""
    text, whole = words_between(matched, run.first, run.last)
    near = abs(extra.before - run.before) <= MAX_MOVED_DISTANCE_LETTERS + extra.length
    glyphs = page.letters[extra.first : extra.last + 1]
    return whole and run.length > 1 and near and glyphs == text.replace(" ", "")


def _extra_kind(matched: AlignedText, page: TextContext, run: Indel) -> DiscrepancyKind:
    """Kind of an extra run: a second copy, whole lines, words or letters."""
    copy = _copied_words(matched, page, run)
    if copy is not None:
        return "letter_doubled" if run.length == 1 else "words_doubled"
    if run.length == 1:
        return "letter_extra"
    line = page.layout.line
    begins = run.first == 0 or line[run.first - 1] != line[run.first]
    ends = run.last + 1 == len(line) or line[run.last] != line[run.last + 1]
    if begins and ends and run.length >= MIN_LETTERS_OF_EXTRA_LINE:
        return "lines_extra"
    after = run.last + 1
    worded = page.word_start_p[run.first] >= MIN_WORD_START_P and (
        after == len(page.word_start_p) or page.word_start_p[after] >= MIN_WORD_START_P
    )
    return "words_extra" if worded else "letters_extra"


def _copied_words(matched: AlignedText, page: TextContext, run: Indel) -> str | None:
    """The words before or after an extra run of which it is a second copy; None if of none."""
    size = run.length
    expected = matched.alignment.expected
    mine = page.odds[run.first : run.last + 1]
    for first in (run.first - size, run.last + 1):
        glyphs = expected[max(first, 0) : first + size]
        if first < 0 or len(glyphs) < size or (glyphs < 0).any():
            continue
        low, high = int(glyphs[0]), int(glyphs[-1])
        if high - low != size - 1:
            continue
        text, whole = words_between(matched, low, high)
        copied = [index_of(letter) for letter in text.replace(" ", "")]
        same = np.mean(mine[np.arange(size), copied] >= MIN_ALTERNATIVE_LETTER_P)
        if same >= MIN_COPY_AGREEMENT and (whole or size == 1):
            return text
    return None


def _extra_place(
    matched: AlignedText, page: TextContext, run: Indel, kind: DiscrepancyKind
) -> TextPlace:
    copy = (
        _copied_words(matched, page, run) if kind in ("words_doubled", "letter_doubled") else None
    )
    shown = copy or "".join(
        (" " if i > run.first and page.word_start_p[i] >= MIN_WORD_START_P else "")
        + page.letters[i]
        for i in range(run.first, run.last + 1)
    )
    return text_place(matched, page, kind, shown, run, tuple(range(run.first + 1, run.last + 2)))

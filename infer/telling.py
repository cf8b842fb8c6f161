"""A mishap of the text put into a place to look at and a sentence."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from crownlet.infer.layout import Layout
from crownlet.infer.matching import Matched
from crownlet.infer.plain import latin, veiled
from crownlet.infer.records import Floats, Located
from crownlet.infer.routing import ABSENT, EXTRA, SWAPPED
from crownlet.infer.runs import Run
from crownlet.infer.text_places import Mishap, TextPlace

MOST_WORDS = 8
"""Longer runs are told by their first and last words."""


@dataclass(frozen=True)
class Teller:
    """What is needed to tell of a mishap; arrays by glyph in reading order."""

    matched: Matched
    letters: str
    odds: Floats
    """(N, 27) probability of each letter."""
    opens: Floats
    """(N,) how likely a word begins at each."""
    found: Located
    layout: Layout
    surely: float
    """Probability from which a letter's class is sure."""


def words_between(matched: Matched, first: int, last: int) -> tuple[str, bool]:
    """Letters `first` to `last` of the text, words divided, and whether they are whole words."""
    text = "".join(
        (" " if j > first and matched.starts[j] else "") + matched.text[j]
        for j in range(first, last + 1)
    )
    ends = last + 1 == len(matched.text) or bool(matched.starts[last + 1])
    return text, bool(matched.starts[first]) and ends


def place_of(
    teller: Teller, mishap: Mishap, letters: str, run: Run, glyphs: tuple[int, ...]
) -> TextPlace:
    """The place of a run: absent letters where `glyphs` is empty, else those glyphs (from 1)."""
    matched = teller.matched
    defect = ABSENT if not glyphs else SWAPPED if mishap == "letters_exchanged" else EXTRA
    words = _words_touched(teller, run, glyphs)
    if glyphs:
        rows = [glyph - 1 for glyph in glyphs]
        line = int(teller.layout.line[rows[0]]) + 1
        x, y = teller.found.anchors[rows].mean(axis=0)
        at = (float(x), float(y))
        in_name = any(matched.in_name(i) for i in rows)
        sure = _surely(teller, rows)
    else:
        line, at = where(matched, run, teller.found, teller.layout)
        in_name = any(j in matched.names for j in range(run.first, run.last + 1))
        sure = not run.doubted
    otherwise = bool(words & matched.portion.otherwise)
    return TextPlace(
        mishap=mishap, defect=defect, letters=letters, glyphs=glyphs, after=run.before + 1,
        line=line, word=min(words, default=0) + 1, at=at, in_name=in_name,
        sure=sure and not otherwise, says=_says(mishap, letters, min(words, default=0) + 1, run,
                                                 otherwise),
    )  # fmt: skip


def _surely(teller: Teller, rows: list[int]) -> bool:
    return bool(np.mean(teller.odds[rows].max(axis=1) >= teller.surely) > 0.5)


def _words_touched(teller: Teller, run: Run, glyphs: tuple[int, ...]) -> set[int]:
    """Words of the text, from 0, in which a run stands, or after which it does."""
    matched = teller.matched
    if not glyphs:
        return {int(matched.word_of[j]) for j in range(run.first, run.last + 1)}
    expected = matched.alignment.expected
    answered = [int(expected[g - 1]) for g in glyphs if expected[g - 1] >= 0]
    if not answered:
        before = expected[: run.first][expected[: run.first] >= 0]
        answered = [int(before[-1])] if len(before) else []
    return {int(matched.word_of[j]) for j in answered}


def where(
    matched: Matched, run: Run, found: Located, layout: Layout
) -> tuple[int, tuple[float, float]]:
    """Line, from 1, and place in px where absent letters would stand."""
    later = np.flatnonzero(matched.alignment.expected > run.last)
    around = [i for i in (run.before, int(later[0]) if len(later) else -1) if i >= 0]
    same = len({int(layout.line[i]) for i in around}) == 1
    at = found.anchors[around if same else around[:1]].mean(axis=0)
    return int(layout.line[around[0]]) + 1, (float(at[0]), float(at[1]))


def _says(mishap: Mishap, letters: str, word: int, run: Run, otherwise: bool) -> str:
    sentence = _sentence(mishap, letters, word)
    if run.doubted:
        sentence += ", or outside the picture"
    if otherwise:
        sentence += "; sources differ in the spelling here"
    return sentence


def _sentence(mishap: Mishap, letters: str, word: int) -> str:
    count, many = len(letters.replace(" ", "")), " " in letters
    shown = _shown(letters)
    if mishap == "letter_absent":
        return f"{latin(letters)} absent from word {word} of the text"
    if mishap == "letters_absent":
        return f"{count} letters absent from word {word} of the text on: {shown}"
    if mishap == "words_absent":
        return f"{'words' if many else 'a word'} absent: {shown}"
    if mishap == "letter_doubled":
        return f"{latin(letters)} is written twice"
    if mishap == "words_doubled":
        return f"{'words are' if many else 'a word is'} written twice: {shown}"
    if mishap == "letter_extra":
        return f"{latin(letters)} that the text does not have here"
    if mishap == "lines_extra":
        return f"{count} letters in lines of their own that the text does not have here"
    if mishap == "letters_exchanged":
        return f"{latin(letters[0])} and {latin(letters[1])} exchanged"
    if mishap == "words_exchanged":
        return f"{'words stand' if many else 'a word stands'} elsewhere than in the text: {shown}"
    what = "words" if mishap == "words_extra" else f"{count} letters"
    return f"{what} that the text does not have here: {shown}"


def _shown(letters: str) -> str:
    """The words, Names veiled; of many only the first and the last."""
    words = [veiled(word) for word in letters.split()]
    if len(words) > MOST_WORDS:
        words = [*words[:3], "…", *words[-2:], f"({len(letters.split())} words)"]
    return " ".join(words)

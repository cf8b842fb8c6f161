"""Which words stand on a page: a portion, or words drawn so that all letters occur."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from functools import cache

import numpy as np

from crownlet.datasets.render.page.spec import PageSpec
from crownlet.datasets.scribal.alphabet import ALPHABET
from crownlet.datasets.scribal.portion import Lines
from crownlet.datasets.scribal.texts import TEFILLIN, read_portion

_FINAL_LETTERS = "".join(letter.char for letter in ALPHABET if letter.final_of)

_NONFINAL_LETTERS = "".join(letter.char for letter in ALPHABET if not letter.final_of)

_INVENTED_WORD_SHARE = 0.3
"""Share of drawn words that are invented, so that no letter is known by its neighbours alone."""


@dataclass(frozen=True)
class PageText:
    """Words by line, and the places left blank for the opening of a portion."""

    lines: Lines
    name: str
    opens: frozenset[int] = field(default_factory=frozenset)
    """Lines, by number, that open a portion."""
    rows: tuple[float, ...] | None = None
    """Ruled line on which each line stands, if not one after the other."""
    upside_down: frozenset[int] = field(default_factory=frozenset)
    """Lines written upside down."""


def choose_text(spec: PageSpec, rng: np.random.Generator, body: float) -> PageText:
    """The text of a page whose letters are `body` px high. ValueError for an unknown portion."""
    if spec.portion is not None:
        return _read_portion_text(spec.portion)
    return PageText(draw_text_lines(spec, rng, body), "drawn words")


def _read_portion_text(name: str) -> PageText:
    text = read_portion(name)
    if name == "mezuzah_reverse":
        # Behind words 3 to 5 of line 1, upside down; and behind the gap of lines 6 and 7.
        return PageText(text.lines or (), name, rows=(0.0, 5.5), upside_down=frozenset({0}))
    lines = text.lines or _fill_lines(text.words, 30)
    starts = np.cumsum([0] + [len(line) for line in lines])
    opens = frozenset(i for i, start in enumerate(starts[:-1]) if int(start) in text.opens)
    return PageText(lines, text.name, opens)


def _fill_lines(words: tuple[str, ...], letters: int) -> Lines:
    """Words filled into lines of at least `letters` letters."""
    lines: list[tuple[str, ...]] = []
    line: list[str] = []
    for word in words:
        line.append(word)
        if sum(map(len, line)) >= letters:
            lines.append(tuple(line))
            line = []
    return (*lines, tuple(line)) if line else tuple(lines)


def draw_text_lines(spec: PageSpec, rng: np.random.Generator, body: float) -> Lines:
    """Lines of drawn words that fit an image of `spec.max_side` px."""
    count = int(rng.integers(spec.letters[0], spec.letters[1] + 1))
    room = spec.max_side / body
    widest = max(3.0, (room - 1.0) / 0.95)
    highest = max(2.0, (room - 1.0) / 2.0)
    shape = float(rng.uniform(1.2, 2.6))
    lines = int(np.clip(round((count / shape) ** 0.5), 2, highest))
    letters = int(np.clip(round(count / lines), 4, widest))
    return tuple(draw_text_line(rng, letters) for _ in range(lines))


def draw_text_line(rng: np.random.Generator, letters: int) -> tuple[str, ...]:
    """Drawn words of together about `letters` letters."""
    line: list[str] = []
    room = letters
    while room > 1 or not line:
        word = _invent_word(rng) if rng.random() < _INVENTED_WORD_SHARE else _draw_word(rng)
        if len(word) > room + 1 and line:
            word = _invent_word(rng, min(room, 5))
        line.append(word)
        room -= len(word) + 1
    return tuple(line)


def _invent_word(rng: np.random.Generator, length: int = 0) -> str:
    length = length or int(rng.integers(2, 7))
    letters = [_NONFINAL_LETTERS[i] for i in rng.integers(0, len(_NONFINAL_LETTERS), length)]
    if length > 1 and rng.random() < 0.45:
        letters[-1] = _FINAL_LETTERS[int(rng.integers(len(_FINAL_LETTERS)))]
    return "".join(letters)


def _draw_word(rng: np.random.Generator) -> str:
    words, cumulated = _vocabulary()
    return words[int(np.searchsorted(cumulated, rng.random()))]


@cache
def _vocabulary() -> tuple[tuple[str, ...], list[float]]:
    """Words of all portions without Divine Names, those with rare letters weighted up."""
    words: set[str] = set()
    for name in ("mezuzah", *TEFILLIN):
        text = read_portion(name)
        words.update(w for i, w in enumerate(text.words) if i not in text.name_words)
    counts = Counter("".join(sorted(words)))
    vocabulary = tuple(sorted(words))
    weight = np.array([np.mean([1.0 / counts[char] for char in word]) for word in vocabulary])
    cumulated = np.cumsum(weight / weight.sum())
    cumulated[-1] = 1.0
    return vocabulary, [float(c) for c in cumulated]

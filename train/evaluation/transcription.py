"""Transcribed lines of photographs, and the alignment of what was read to them.

`[..]` is cut off at the side or out of frame (three dots: an unknown number of letters), a leading
`^` is a line cut by the top or bottom edge; neither counts, and what is read there is no error.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from crownlet.datasets.scribal.alphabet import BY_CHAR
from crownlet.datasets.scribal.edit_distance import next_cost_row
from crownlet.train.evaluation.matching import LetterErrors

TokenKind = Literal["letter", "free", "any"]

_EDIT_COST = 10_000
"""Cost of an edit; costs of single units decide between alignments of equal edits."""


@dataclass(frozen=True)
class Token:
    """One place of a line: a letter that counts, one that does not, or any number of them."""

    kind: TokenKind
    letter: str = ""


@dataclass(frozen=True)
class TranscribedLine:
    """One line of a photograph; `counts` is False where an edge of the frame cuts the line."""

    tokens: tuple[Token, ...]
    counts: bool

    @property
    def letters(self) -> str:
        """The letters that count."""
        if not self.counts:
            return ""
        return "".join(token.letter for token in self.tokens if token.kind == "letter")


def parse_line(text: str) -> TranscribedLine:
    """Read one transcribed line.

    Raises:
        ValueError: a bracket is not closed, or a sign is neither letter, space, dots nor bracket.
    """
    counts = not text.startswith("^")
    tokens: list[Token] = []
    inside = False
    for sign in text.removeprefix("^").replace("...", "…"):
        if sign in "[]":
            if inside == (sign == "["):
                raise ValueError(f"brackets do not match in {text!r}")
            inside = sign == "["
            # A letter cut in two may be read as two.
            tokens.extend([Token("free")] if sign == "]" else [])
        elif sign == "…":
            tokens.append(Token("any"))
        elif sign in BY_CHAR:
            tokens.append(Token("free" if inside else "letter", sign))
        elif not sign.isspace():
            raise ValueError(f"{sign!r} in {text!r} is not a letter")
    if inside:
        raise ValueError(f"a bracket is not closed in {text!r}")
    return TranscribedLine(tuple(tokens), counts)


@dataclass(frozen=True)
class LineAlignment:
    """A read line aligned to a transcribed one: (written or "", read or "") in reading order."""

    pairs: tuple[tuple[str, str], ...]
    cost: int
    """Substitutions, letters missing and letters too many."""

    def errors(self) -> LetterErrors:
        """The errors of this line by kind."""
        written = Counter(a for a, _ in self.pairs if a)
        return LetterErrors(
            written.total(),
            Counter((a, b) for a, b in self.pairs if a and b and a != b),
            Counter(a for a, b in self.pairs if a and not b),
            Counter(b for a, b in self.pairs if b and not a),
            written,
        )


def align_line(tokens: tuple[Token, ...], read: str) -> LineAlignment:
    """Least number of edits (Levenshtein) between a line and what was read, free places apart."""
    cost = _cost_table(tokens, read)
    pairs: list[tuple[str, str]] = []
    i, j = len(tokens), len(read)
    while i or j:
        step = _step_back(tokens, read, cost, i, j)
        if step == "across":
            if tokens[i - 1].kind == "letter":
                pairs.append((tokens[i - 1].letter, read[j - 1]))
            i, j = i - 1, j - 1
        elif step == "skip":
            if tokens[i - 1].kind == "letter":
                pairs.append((tokens[i - 1].letter, ""))
            i -= 1
        else:
            if not (i and tokens[i - 1].kind == "any"):
                pairs.append(("", read[j - 1]))
            j -= 1
    return LineAlignment(tuple(reversed(pairs)), int(cost[-1, -1]) // _EDIT_COST)


def _cost_table(tokens: tuple[Token, ...], read: str) -> npt.NDArray[np.int64]:
    cost = np.zeros((len(tokens) + 1, len(read) + 1), np.int64)
    cost[0] = np.arange(len(read) + 1) * _EDIT_COST
    for i in range(1, len(tokens) + 1):
        token = tokens[i - 1]
        across = np.array([_take_cost(token, letter) for letter in read], np.int64)
        extra = np.arange(len(read) + 1) * _extra_cost(token)
        cost[i] = next_cost_row(cost[i - 1], across, _skip_cost(token), extra)
    return cost


def _step_back(
    tokens: tuple[Token, ...], read: str, cost: npt.NDArray[np.int64], i: int, j: int
) -> Literal["across", "skip", "extra"]:
    if i and j and cost[i, j] == cost[i - 1, j - 1] + _take_cost(tokens[i - 1], read[j - 1]):
        return "across"
    if i and cost[i, j] == cost[i - 1, j] + _skip_cost(tokens[i - 1]):
        return "skip"
    return "extra"


def _take_cost(token: Token, letter: str) -> int:
    differs = int(token.kind != "any" and token.letter != letter)
    return differs * (_EDIT_COST + 1) if token.kind == "letter" else differs


def _skip_cost(token: Token) -> int:
    return _EDIT_COST if token.kind == "letter" else int(token.letter != "")


def _extra_cost(token: Token) -> int:
    return 0 if token.kind == "any" else _EDIT_COST

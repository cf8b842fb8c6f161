"""The audit: clear letters drawn by lot with known chances, to estimate what was missed.

Letters are drawn by letter form, at least one of each form (stratified sampling without
replacement; Cochran, Sampling Techniques, 3rd ed. 1977, chapter 5). Of a letter drawn one doubt is
asked, drawn in turn, `HIDING` times as likely one that the queue asks of this form already. The
chance of a question is the product of both. Letters that fall into one block draw by the same lots,
so that they are mostly asked of the same doubt and fill walls instead of standing alone; for each
letter by itself the chances stay what they are (coordination by permanent random numbers).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass
from math import log

from crownlet.infer.records import GlyphRecord
from crownlet.infer.review.queue import Question, lot

HIDING = 6
"""More hides better; 6 leaves the estimate worth about 60% of the letters asked."""
BLOCK = 8
"""Letters drawn that share their lots, on average."""


@dataclass(frozen=True)
class Clear:
    """A letter that the inspection left clear, and the doubts that it was cleared of."""

    page: str
    glyph: GlyphRecord
    kinds: tuple[str, ...]


@dataclass(frozen=True)
class Stratum:
    """Letters of one form on one page: how many are clear, and how many were drawn."""

    page: str
    letter: str
    letters: int
    questions: int
    """Doubts that these letters were cleared of, all letters together."""
    drawn: int


@dataclass(frozen=True)
class Draw:
    """What was drawn: questions by page, and from how many."""

    questions: Mapping[str, tuple[Question, ...]]
    strata: tuple[Stratum, ...]


def draw_audit(
    letters: Iterable[Clear], asked: Iterable[Question], seed: int, share: float
) -> Draw:
    """Draw about `share` of the clear letters, at least one of each form; share 0 draws none.

    The same letters, doubts and seed give the same draw, in whatever order they come.
    """
    forms: dict[str, list[Clear]] = defaultdict(list)
    for letter in letters:
        if letter.kinds:
            forms[letter.glyph.letter].append(letter)
    doubted = {(q.letter, q.kind) for q in asked}
    drawn: dict[str, list[Question]] = defaultdict(list)
    strata: list[Stratum] = []
    counts = {
        form: min(len(members), max(1, round(share * len(members)))) if share > 0 else 0
        for form, members in forms.items()
    }
    blocks = max(1, round(sum(counts.values()) / BLOCK))
    for form, members in sorted(forms.items()):
        count = counts[form]
        ranked = sorted(members, key=lambda m: lot(seed, "letter", m.page, m.glyph.glyph))
        for letter in ranked[:count]:
            block = lot(seed, "block", letter.page, letter.glyph.glyph) % blocks
            question = _question(letter, doubted, (seed, block), count / len(members))
            drawn[letter.page].append(question)
        strata += _strata(form, members, {id(m) for m in ranked[:count]})
    return Draw({page: tuple(questions) for page, questions in drawn.items()}, tuple(strata))


def _question(
    letter: Clear, doubted: Set[tuple[str, str]], block: tuple[int, int], chance: float
) -> Question:
    """One doubt about a letter, drawn by lot with the chance it has."""
    glyph = letter.glyph
    worth = {kind: HIDING if (glyph.letter, kind) in doubted else 1 for kind in letter.kinds}
    kind = min(worth, key=lambda kind: _wait(worth[kind], *block, kind))
    return Question(
        kind, glyph.letter, (glyph.glyph,), glyph.box, "audit", glyph.p.get(kind), glyph,
        chance * worth[kind] / sum(worth.values()),
    )  # fmt: skip


def _wait(worth: int, seed: int, block: int, kind: str) -> float:
    """An exponential time that comes `worth` times as fast; the first of several comes with the
    share that its worth has in all."""
    return -log((lot(seed, "doubt", block, kind) + 1) / (2**64 + 1)) / worth


def _strata(form: str, members: Sequence[Clear], drawn: set[int]) -> list[Stratum]:
    pages: dict[str, list[Clear]] = defaultdict(list)
    for member in members:
        pages[member.page].append(member)
    return [
        Stratum(
            page,
            form,
            len(here),
            sum(len(m.kinds) for m in here),
            sum(id(m) in drawn for m in here),
        )
        for page, here in sorted(pages.items())
    ]

"""The audit: clear letters drawn by lot with known chances, to estimate what was missed.

Letters are drawn by letter form, at least one of each form (stratified sampling without
replacement; Cochran, Sampling Techniques, 3rd ed. 1977, chapter 5). Of a letter drawn one doubt is
asked, drawn in turn, `HIDING` times as likely one that the queue asks of this form already: so
audits hide among other items, and yet no question weighs too much. The chance of a question is the
product of both.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass

from crownlet.infer.records import GlyphRecord
from crownlet.infer.review.queue import Question, lot

HIDING = 6
"""More hides better; 6 leaves the estimate worth about 60% of the letters asked."""


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
    walls = {(q.letter, q.kind) for q in asked}
    drawn: dict[str, list[Question]] = defaultdict(list)
    strata: list[Stratum] = []
    for form, members in sorted(forms.items()):
        count = min(len(members), max(1, round(share * len(members)))) if share > 0 else 0
        ranked = sorted(members, key=lambda m: lot(seed, "letter", m.page, m.glyph.glyph))
        for letter in ranked[:count]:
            question = _question(letter, walls, seed, count / len(members))
            drawn[letter.page].append(question)
        strata += _strata(form, members, {id(m) for m in ranked[:count]})
    return Draw({page: tuple(questions) for page, questions in drawn.items()}, tuple(strata))


def _question(letter: Clear, walls: Set[tuple[str, str]], seed: int, chance: float) -> Question:
    """One doubt about a letter, drawn by lot with the chance it has."""
    glyph = letter.glyph
    worth = [HIDING if (glyph.letter, kind) in walls else 1 for kind in letter.kinds]
    place = lot(seed, "doubt", letter.page, glyph.glyph) / 2**64 * sum(worth)
    k = _fallen(worth, place)
    return Question(
        letter.kinds[k], glyph.letter, (glyph.glyph,), glyph.box, "audit",
        glyph.p.get(letter.kinds[k]), glyph, chance * worth[k] / sum(worth),
    )  # fmt: skip


def _fallen(worth: Sequence[int], place: float) -> int:
    """On which of the parts, laid end to end, a point falls."""
    for k, size in enumerate(worth):
        place -= size
        if place < 0:
            return k
    return len(worth) - 1


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

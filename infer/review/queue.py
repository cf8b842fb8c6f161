"""Questions of a page, one for each doubt about each place, and the audit among its clear letters.

An audit asks about letters at which the inspection saw nothing, so that the share it missed can be
estimated (`miss_rate`). Which letter and which doubt are asked is drawn at random and can be
reproduced: all random numbers are hashes of the seed and the place.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, replace
from math import log
from typing import TYPE_CHECKING

from crownlet.datasets.scribal.catalogue import GLYPH_DEFECTS
from crownlet.infer.findings.finding import rows_of, seen_claims
from crownlet.infer.findings.page import enclosing_box
from crownlet.infer.records import Box, GapRecord, GlyphRecord, PageRecord
from crownlet.infer.review.models import Origin
from crownlet.infer.routing.judgement import seen_kinds

if TYPE_CHECKING:
    from crownlet.infer.findings.finding import Finding

MAX_QUESTION_LETTERS = 2
"""A question about more letters than these is about a line or the page, not about the letters."""

SAME_DOUBT_WEIGHT = 6
"""How much likelier a doubt is drawn if other letters of the form are asked about it, so that the
audit is not recognised. More hides it better; 6 leaves the estimate worth about 60% of the letters
asked."""

LETTERS_PER_BLOCK = 8
"""Letters that share their random numbers, on average."""


@dataclass(frozen=True)
class Question:
    """A doubt about a place, with what labels made of the answer need."""

    kind: str
    letter: str
    glyphs: tuple[int, ...]
    box: Box
    origin: Origin
    p: float | None
    glyph: GlyphRecord | None = None
    """The letter asked about, where it is one letter."""
    chance: float | None = None
    """Chance with which an audit drew this question."""
    habit: str | None = None
    """Key of the statement on the hand with whose letters it is asked together."""

    @property
    def key(self) -> str:
        """Key of the question among all of its page: its kind and place."""
        place = self.glyphs or tuple(round(v) for v in self.box)
        return f"{self.kind}:{','.join(map(str, place))}"


@dataclass(frozen=True)
class ClearLetter:
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
class AuditDraw:
    """The questions drawn, by page, and how many letters they were drawn from."""

    questions: Mapping[str, tuple[Question, ...]]
    strata: tuple[Stratum, ...]


def page_questions(
    record: PageRecord, found: tuple[Finding, ...], listed: bool = True
) -> tuple[Question, ...]:
    """The questions of a page that the inspection raised, without any audit.

    `listed` is false for runs made before findings were listed.
    """
    asked: dict[str, Question] = {}
    for question in (
        _questions_of_findings(found, record) if listed else _questions_of_routes(record)
    ):
        asked.setdefault(question.key, question)
    return tuple(asked.values())


def _questions_of_findings(findings: tuple[Finding, ...], record: PageRecord) -> Iterator[Question]:
    """A place listed once may be doubted for several reasons; each is a question of its own."""
    rows = rows_of(record) if any(finding.others for finding in findings) else {}
    for finding in findings:
        glyph = None
        if finding.scope == "glyph" and finding.glyphs:
            glyph = record.glyphs[finding.glyphs[0] - 1]
        definite = finding.route == "finding" and finding.sure
        first = Question(
            finding.kind, finding.letter or (glyph.letter if glyph else ""), finding.glyphs,
            finding.box, "finding" if definite else "review", finding.p, glyph,
        )  # fmt: skip
        yield first
        seen = seen_claims(finding, rows) if finding.others else ()
        for kind in finding.others:
            p = glyph.p.get(kind) if glyph else None
            yield replace(first, kind=kind, origin="finding" if kind in seen else "review", p=p)


def _questions_of_routes(record: PageRecord) -> Iterator[Question]:
    """For runs made before findings.csv was written."""
    for glyph in record.glyphs:
        for kind in glyph.reasons if glyph.route != "clear" else ():
            yield Question(
                kind, glyph.judged_as, (glyph.glyph,), glyph.box, _origin(glyph, kind),
                glyph.p.get(kind), glyph,
            )  # fmt: skip
    for gap in record.gaps:
        boxes = [record.glyphs[k - 1].box for k in (gap.right_glyph, gap.left_glyph)]
        for kind in gap.reasons if gap.route != "clear" else ():
            yield Question(
                kind, "", (gap.right_glyph, gap.left_glyph), enclosing_box(boxes),
                _origin(gap, kind), None,
            )  # fmt: skip


def _origin(row: GlyphRecord | GapRecord, kind: str) -> Origin:
    return "finding" if kind in seen_kinds(row) else "review"


def askable_kinds(glyph: GlyphRecord, record: PageRecord) -> tuple[str, ...]:
    """The doubts that a clear letter was cleared of: those that apply and were examined.

    A form that was seen but, by the customs, is not listed was not cleared.
    """
    p, skipped = (
        glyph.p,
        {*glyph.not_examined, *record.unresolved, *glyph.reasons, *glyph.unrouted_doubts},
    )
    return tuple(
        [name for name in GLYPH_DEFECTS if p.get(name) is not None and name not in skipped]
    )


def select_clear_letters(
    record: PageRecord, asked: tuple[Question, ...]
) -> tuple[GlyphRecord, ...]:
    """The letters of a page without a question about them or about a gap beside them."""
    doubted = {glyph for question in asked if len(question.glyphs) <= MAX_QUESTION_LETTERS
               for glyph in question.glyphs}  # fmt: skip
    return tuple(g for g in record.glyphs if g.glyph not in doubted)


def stable_hash(*parts: object) -> int:
    """A number of 64 bits that follows from `parts` alone, the same on every machine."""
    text = "\x1f".join(map(str, parts))
    return int.from_bytes(hashlib.blake2b(text.encode(), digest_size=8).digest(), "big")


def draw_audit(
    letters: Iterable[ClearLetter], asked: Iterable[Question], seed: int, share: float
) -> AuditDraw:
    """Draw about `share` of the clear letters, at least one of each form; share 0 draws none.

    The same letters, doubts and seed give the same draw, in whatever order they come.
    """
    forms: dict[str, list[ClearLetter]] = defaultdict(list)
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
    blocks = max(1, round(sum(counts.values()) / LETTERS_PER_BLOCK))
    for form, members in sorted(forms.items()):
        count = counts[form]
        ranked = sorted(members, key=lambda m: stable_hash(seed, "letter", m.page, m.glyph.glyph))
        for letter in ranked[:count]:
            block = stable_hash(seed, "block", letter.page, letter.glyph.glyph) % blocks
            question = _draw_question(letter, doubted, (seed, block), count / len(members))
            drawn[letter.page].append(question)
        strata += _count_strata(form, members, {id(m) for m in ranked[:count]})
    return AuditDraw({page: tuple(questions) for page, questions in drawn.items()}, tuple(strata))


def _draw_question(
    letter: ClearLetter, doubted: Set[tuple[str, str]], block: tuple[int, int], chance: float
) -> Question:
    """One doubt about a letter, drawn at random by the weights of its doubts."""
    glyph = letter.glyph
    weight = {
        kind: SAME_DOUBT_WEIGHT if (glyph.letter, kind) in doubted else 1 for kind in letter.kinds
    }
    kind = min(weight, key=lambda kind: _exponential_wait(weight[kind], *block, kind))
    return Question(
        kind, glyph.letter, (glyph.glyph,), glyph.box, "audit", glyph.p.get(kind), glyph,
        chance * weight[kind] / sum(weight.values()),
    )  # fmt: skip


def _exponential_wait(weight: int, seed: int, block: int, kind: str) -> float:
    """An exponential time that comes `weight` times as fast; the first of several comes with the
    share that its weight has in all."""
    return -log((stable_hash(seed, "doubt", block, kind) + 1) / (2**64 + 1)) / weight


def _count_strata(form: str, members: Sequence[ClearLetter], drawn: set[int]) -> list[Stratum]:
    pages: dict[str, list[ClearLetter]] = defaultdict(list)
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

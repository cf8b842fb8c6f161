"""The audit of a scroll: letters drawn at random, judged whole, and what they bound.

The promise of the thresholds holds for rendered hands. What was missed in this scroll or stack is
bounded by its own letters, whatever the hand: some are drawn at random among all of them, and a
reader, who sees of them what they see of any other question, says whether anything is amiss. Those
on which nothing was found are a random sample of all letters on which nothing was found. A reader
goes through letters in an order of their own, so that a sample counts once all of it is decided; of
several readers the first counts. What a reader cannot decide counts as a fault, so that the bound
holds.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterable, Mapping
from dataclasses import asdict, dataclass
from heapq import nsmallest
from typing import TYPE_CHECKING, Any, NamedTuple

from crownlet.infer.records import PageRecord
from crownlet.infer.review.exact_bounds import (
    CONFIDENCE,
    binomial_upper_bound,
    finite_upper_bound,
    letters_needed,
)
from crownlet.infer.review.habit_questions import raised_questions
from crownlet.infer.review.models import LETTER_KIND
from crownlet.infer.review.queue import (
    Question,
    select_clear_letters,
    stable_hash,
)
from crownlet.infer.view.language import translate, translate_count
from crownlet.infer.view.wording import format_percent

if TYPE_CHECKING:
    from crownlet.infer.findings.finding import Finding
    from crownlet.infer.review.store import ReviewStore
    from crownlet.infer.run.run import Run

SHARES_TO_BOUND = (0.05, 0.02, 0.01)
"""Shares for which a sentence says how many letters to look at."""

THRESHOLD_NAME = "letter_threshold"
"""Name in the table `meta`: letters whose hash is below are drawn."""


class DrawnLetter(NamedTuple):
    """A letter of the random draw, and the answer of the first reader; None while it is open."""

    page: str
    glyph: int
    choice: str | None


@dataclass(frozen=True)
class LetterAudit:
    """What is known of the letters of a scroll or stack on which nothing was found."""

    letters: int = 0
    """Letters on which nothing was found."""
    drawn: int = 0
    """Of these, letters drawn at random."""
    judged: int = 0
    """Of these, letters decided."""
    faults: int = 0
    """Of these, letters in which the reader saw a fault, or another letter."""
    undecided: int = 0
    """Further ones that the reader could not tell or left to an authority."""

    def __add__(self, other: LetterAudit) -> LetterAudit:
        return LetterAudit(
            self.letters + other.letters,
            self.drawn + other.drawn,
            self.judged + other.judged,
            self.faults + other.faults,
            self.undecided + other.undecided,
        )

    @property
    def at_most(self) -> int | None:
        """The most letters that can hold a fault; None until the whole sample is decided."""
        if not self.judged or self.judged < self.drawn:
            return None
        return finite_upper_bound(self.faults + self.undecided, self.judged, self.letters)

    def record(self, what: str = "scroll") -> dict[str, Any]:
        """Plain values: counts, the bounds as numbers and shares, and the sentence."""
        at_most = self.at_most
        faults = self.faults + self.undecided
        return {
            **asdict(self),
            "confidence": CONFIDENCE,
            "at_most": at_most,
            "share_at_most": None if at_most is None else round(at_most / self.letters, 6),
            # Of this hand's further letters, in such pictures.
            "hand_share_at_most": None
            if at_most is None
            else round(binomial_upper_bound(faults, self.judged), 6),
            "message": describe_audit(self, what),
        }


def describe_audit(audit: LetterAudit, what: str = "scroll") -> str:
    """The audit of a scroll, or of `what`, in one or two plain sentences in the page's language."""
    this = translate(f"this {what}")
    letters = f"{audit.letters:,}"
    if not audit.letters:
        return translate("No letter of {this} is without a finding.", this=this)
    if not audit.drawn:
        unknown = translate(
            "How much was missed in {this} is not known: none of the {letters} letters without a "
            "finding was drawn at random and looked at.",
            this=this, letters=letters,
        )  # fmt: skip
        return f"{unknown} {_letters_to_look_at(audit)}"
    drawn = translate_count(
        "Of {n} letter drawn at random among the {letters} that nothing was found on in {this}",
        "Of {n} letters drawn at random among the {letters} that nothing was found on in {this}",
        audit.drawn, letters=letters, this=this,
    )  # fmt: skip
    if audit.at_most is None:
        return drawn + translate(
            ", {judged} are decided; a bound needs all of them.", judged=f"{audit.judged:,}"
        )
    found = drawn + (
        translate(", the reader found a fault in {faults}", faults=audit.faults)
        if audit.faults
        else translate(", the reader found a fault in none")
    )
    if audit.undecided:
        found += translate(
            " and could not decide on {undecided}, which count as faults here",
            undecided=audit.undecided,
        )
    return found + translate(
        ": with {confidence} confidence at most {most} of the {letters} ({share}) hold one.",
        confidence=f"{CONFIDENCE:.0%}", most=f"{audit.at_most:,}", letters=letters,
        share=format_percent(audit.at_most / audit.letters),
    )  # fmt: skip


def _letters_to_look_at(audit: LetterAudit) -> str:
    *shares, last_share = (f"{share:.0%}" for share in SHARES_TO_BOUND)
    *counts, last = (f"{letters_needed(audit.letters, share):,}" for share in SHARES_TO_BOUND)
    return translate(
        "If a reader finds no fault on {counts} or {last} of them, drawn at random, at most "
        "{shares} or {last_share} of them hold one, with {confidence} confidence (crownlet review "
        "RUN --letters N draws N letters from all pages of the run).",
        shares=", ".join(shares), last_share=last_share, counts=", ".join(counts), last=last,
        confidence=f"{CONFIDENCE:.0%}",
    )  # fmt: skip


def letters_without_finding(
    record: PageRecord, findings: tuple[Finding, ...], listed: bool = True
) -> frozenset[int]:
    """Letters of a page with neither a finding nor a place to review on them or beside them.

    `listed` is false for runs made before findings were listed.
    """
    asked = raised_questions(record, findings, listed)
    return frozenset(glyph.glyph for glyph in select_clear_letters(record, asked))


def audit_of(clear: Mapping[str, Collection[int]], drawn: Iterable[DrawnLetter]) -> LetterAudit:
    """The audit of some pages: `clear` are their letters without a finding."""
    own = [letter for letter in drawn if letter.glyph in clear.get(letter.page, ())]
    choices = [letter.choice for letter in own if letter.choice is not None]
    faults = sum(choice in ("present", "other_letter") for choice in choices)
    return LetterAudit(
        letters=sum(map(len, clear.values())),
        drawn=len(own),
        judged=len(choices),
        faults=faults,
        undecided=len(choices) - faults - choices.count("not_present"),
    )


def letter_questions(
    page: str, record: PageRecord, seed: int, threshold: int
) -> tuple[Question, ...]:
    """The questions about whole letters of a page: those whose hash is below the threshold.

    All letters take part, also those with a finding, so that being asked shows nothing.
    """
    if not threshold:
        return ()
    return tuple(
        Question(LETTER_KIND, glyph.letter, (glyph.glyph,), glyph.box, "letter", None, glyph)
        for glyph in record.glyphs
        if _letter_hash(seed, page, glyph.glyph) < threshold
    )


def threshold_for(run: Run, seed: int, count: int) -> int:
    """The threshold below which `count` letters of a run are drawn, all if there are fewer."""
    hashes = (
        _letter_hash(seed, page.name, glyph.glyph)
        for page in run.pages.values()
        for glyph in page.brief()[0].glyphs
    )
    return max(nsmallest(count, hashes), default=-1) + 1


def _letter_hash(seed: int, page: str, glyph: int) -> int:
    return stable_hash(seed, "whole letter", page, glyph)


def read_threshold(db: sqlite3.Connection) -> int:
    """The threshold of a file of decisions; 0 where no letters were drawn."""
    row = db.execute("SELECT value FROM meta WHERE name = ?", (THRESHOLD_NAME,)).fetchone()
    return int(row["value"]) if row else 0


def raise_threshold(db: sqlite3.Connection, threshold: int) -> None:
    """Keep a threshold, unless a higher one is kept; inside a transaction."""
    if threshold > read_threshold(db):
        db.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (THRESHOLD_NAME, str(threshold)))


def drawn_letters(store: ReviewStore) -> tuple[DrawnLetter, ...]:
    """The letters drawn, with the answer of the first reader who decided before seeing opinions."""
    first: dict[int, str] = {}
    for reader in store.readers():
        for item, kind, decision in store.independent_decisions(reader.name):
            if kind == LETTER_KIND:
                first.setdefault(item, decision.choice)
    return tuple(
        DrawnLetter(item.page, item.glyphs[0], first.get(item.id))
        for item in store.all_items()
        if item.kind == LETTER_KIND
    )


def audit_scrolls(run: Run, drawn: Collection[DrawnLetter]) -> dict[str, LetterAudit]:
    """The audit of each scroll of a run, by name."""
    audits = {}
    for scroll in run.scrolls:
        clear = {}
        for name in (*scroll.faces, *scroll.reverses):
            page = run.pages[name]
            clear[name] = letters_without_finding(*page.brief(), page.has_findings)
        audits[scroll.name] = audit_of(clear, drawn)
    return audits

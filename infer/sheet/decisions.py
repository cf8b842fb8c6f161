"""Decisions of readers, as an entry shows them; read from the run's review if there was one."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from crownlet.infer.findings.finding import Finding
from crownlet.infer.run.names import REVIEW_STORE_FILE
from crownlet.infer.run.run import Run
from crownlet.infer.view.language import translate

if TYPE_CHECKING:
    from crownlet.infer.review.letter_audit import DrawnLetter
    from crownlet.infer.review.models import StandingDecision

ASKED = "authority"
"""The choice by which a reader leaves a place to an authority."""

_SAME_BOX_PX = 3.0
"""px by which the sides of two boxes may differ that are one place without letters."""


@dataclass(frozen=True)
class ShownDecision:
    """One reader's decision about one finding."""

    choice: str
    """The choice as the store names it."""
    words: str
    """The choice in plain words."""
    about: str
    """The doubt that was decided, where it is not the finding's own kind."""
    reader: str
    day: str
    note: str


DecisionState = Literal["open", "confirmed", "rejected", "unsettled"]
"""Nobody decided; a reader found it there; readers found it not there; anything else."""

LetterKey = tuple[str, int, str]
"""A doubt about one letter: page, number of the letter, defect."""


class Decisions(dict[tuple[str, int], tuple[ShownDecision, ...]]):
    """Decisions that stand, by page and number of the finding."""

    def __init__(self) -> None:
        super().__init__()
        self.letters: dict[LetterKey, tuple[ShownDecision, ...]] = {}
        """Those about single letters, whether they have a finding of their own or are evidence of a
        habit of their hand."""

    def __bool__(self) -> bool:
        """Whether anything is decided."""
        return len(self) > 0 or len(self.letters) > 0

    def letter_state(self, key: LetterKey) -> DecisionState:
        """What readers made of a doubt about one letter."""
        return state_of(self.letters.get(key, ()))


def read_decisions(run: Run) -> Decisions:
    """Decisions that stand; empty where nobody has reviewed.

    ReviewStoreError if the file of decisions cannot be read.
    """
    if not (run.folder / REVIEW_STORE_FILE).is_file():
        return Decisions()
    from crownlet.infer.review.export import open_reviewed

    store = open_reviewed(run)
    try:
        standing = store.standing_decisions()
    finally:
        store.close()
    table = Decisions()
    for made in standing:
        page = run.pages.get(made.page)
        if page is None or made.sha256 != page.checksum:
            continue
        for finding in _decided_findings(made, page.findings):
            key = made.page, finding.number
            table[key] = (*table.get(key, ()), _show_decision(made, finding.kind))
        if len(made.glyphs) == 1:
            letter = made.page, made.glyphs[0], made.kind
            table.letters[letter] = (
                *table.letters.get(letter, ()), _show_decision(made, made.kind)
            )  # fmt: skip
    return table


def read_drawn_letters(run: Run) -> tuple[DrawnLetter, ...]:
    """The letters that were drawn at random to be judged whole; none where nobody has reviewed.

    ReviewStoreError if the file of decisions cannot be read.
    """
    if not (run.folder / REVIEW_STORE_FILE).is_file():
        return ()
    from crownlet.infer.review.export import open_reviewed
    from crownlet.infer.review.letter_audit import drawn_letters

    store = open_reviewed(run)
    try:
        return drawn_letters(store)
    finally:
        store.close()


def state_of(decisions: Iterable[ShownDecision]) -> DecisionState:
    """What readers together made of a place; one who confirms counts before one who does not."""
    choices = {decision.choice for decision in decisions}
    if not choices:
        return "open"
    if "present" in choices:
        return "confirmed"
    return "rejected" if choices == {"not_present"} else "unsettled"


def _decided_findings(standing: StandingDecision, findings: Iterable[Finding]) -> list[Finding]:
    """The findings that a decision is about: the same doubt about the same place."""
    return [
        finding
        for finding in findings
        if standing.kind in (finding.kind, *finding.others)
        and finding.glyphs == standing.glyphs
        and (standing.glyphs or _is_same_box(standing.box, finding.box))
    ]


def _is_same_box(a: Iterable[float], b: Iterable[float]) -> bool:
    return all(abs(x - y) < _SAME_BOX_PX for x, y in zip(a, b, strict=True))


def _show_decision(standing: StandingDecision, kind: str) -> ShownDecision:
    from crownlet.infer.review.wording import BUTTON_BY_CHOICE, decision_words

    decision = standing.decision
    words = decision_words(decision.choice, decision.right_letter)
    if decision.choice == "authority":
        words = translate(BUTTON_BY_CHOICE[decision.choice].words)
    return ShownDecision(
        choice=decision.choice, words=words,
        about="" if standing.kind == kind else standing.kind,
        reader=decision.reader, day=decision.at[:10], note=decision.note,
    )  # fmt: skip

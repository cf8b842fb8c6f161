"""Decisions of readers, as an entry shows them; read from the run's review if there was one."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from crownlet.infer.findings.finding import Finding
from crownlet.infer.run.names import STORE
from crownlet.infer.run.run import Run

if TYPE_CHECKING:
    from crownlet.infer.review.models import StandingDecision

_SAME_BOX_PX = 3.0
"""px by which boxes may differ that mean one place of no letter."""


@dataclass(frozen=True)
class ShownDecision:
    """What one reader decided about one finding."""

    choice: str
    """The decision as the store names it."""
    says: str
    """The same in plain words."""
    about: str
    """The doubt that was decided, where it is not the finding's own kind."""
    reader: str
    day: str
    note: str


Decisions = Mapping[tuple[str, int], tuple[ShownDecision, ...]]
"""By page and number of the finding."""


def read_decisions(run: Run) -> dict[tuple[str, int], tuple[ShownDecision, ...]]:
    """Decisions that stand, by page and number of the finding; empty where nobody has reviewed.

    ReviewStoreError if the file of decisions cannot be read.
    """
    if not (run.folder / STORE).is_file():
        return {}
    from crownlet.infer.review.export import open_reviewed

    store = open_reviewed(run)
    try:
        standing = store.standing_decisions()
    finally:
        store.close()
    table: dict[tuple[str, int], tuple[ShownDecision, ...]] = {}
    for said in standing:
        page = run.pages.get(said.page)
        if page is None or said.sha256 != page.checksum:
            continue
        for finding in _decided_findings(said, page.findings):
            key = said.page, finding.number
            table[key] = (*table.get(key, ()), _show_decision(said, finding))
    return table


def _decided_findings(said: StandingDecision, findings: Iterable[Finding]) -> list[Finding]:
    """The findings of which a decision speaks: the same doubt about the same place."""
    return [
        finding
        for finding in findings
        if said.kind in (finding.kind, *finding.others)
        and finding.glyphs == said.glyphs
        and (said.glyphs or _is_same_box(said.box, finding.box))
    ]


def _is_same_box(a: Iterable[float], b: Iterable[float]) -> bool:
    return all(abs(x - y) < _SAME_BOX_PX for x, y in zip(a, b, strict=True))


def _show_decision(said: StandingDecision, finding: Finding) -> ShownDecision:
    from crownlet.infer.review.wording import BUTTON_BY_CHOICE, decision_words

    made = said.decision
    words = decision_words(made.choice, made.right_letter)
    if made.choice == "authority":
        words = BUTTON_BY_CHOICE[made.choice].words
    return ShownDecision(
        choice=made.choice, says=words,
        about="" if said.kind == finding.kind else said.kind,
        reader=made.reader, day=made.at[:10], note=made.note,
    )  # fmt: skip

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

_NEAR = 3.0
"""px by which boxes may differ that mean one place of no letter."""


@dataclass(frozen=True)
class Decided:
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


Decisions = Mapping[tuple[str, int], tuple[Decided, ...]]
"""By page and number of the finding."""


def decisions_of(run: Run) -> dict[tuple[str, int], tuple[Decided, ...]]:
    """Decisions that stand, by page and number of the finding; empty where nobody has reviewed.

    ReviewStoreError if the file of decisions cannot be read.
    """
    if not (run.folder / STORE).is_file():
        return {}
    from crownlet.infer.review.export import open_reviewed

    store = open_reviewed(run)
    try:
        standing = store.standing()
    finally:
        store.close()
    table: dict[tuple[str, int], tuple[Decided, ...]] = {}
    for said in standing:
        page = run.pages.get(said.page)
        if page is None or said.sha256 != page.checksum:
            continue
        for finding in _meant(said, page.findings):
            key = said.page, finding.number
            table[key] = (*table.get(key, ()), _decided(said, finding))
    return table


def _meant(said: StandingDecision, findings: Iterable[Finding]) -> list[Finding]:
    """The findings of which a decision speaks: the same doubt about the same place."""
    return [
        finding
        for finding in findings
        if said.kind in (finding.kind, *finding.others)
        and finding.glyphs == said.glyphs
        and (said.glyphs or _same(said.box, finding.box))
    ]


def _same(a: Iterable[float], b: Iterable[float]) -> bool:
    return all(abs(x - y) < _NEAR for x, y in zip(a, b, strict=True))


def _decided(said: StandingDecision, finding: Finding) -> Decided:
    from crownlet.infer.review.web.render import BUTTON_BY_CHOICE, decision_words

    made = said.decision
    words = decision_words(made.choice, made.right_letter)
    if made.choice == "authority":
        words = BUTTON_BY_CHOICE[made.choice].words
    return Decided(
        choice=made.choice, says=words,
        about="" if said.kind == finding.kind else said.kind,
        reader=made.reader, day=made.at[:10], note=made.note,
    )  # fmt: skip

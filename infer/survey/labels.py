"""Readers' answers to a survey's audit, and how far two readers agree.

Only what a reader answers before being shown anything counts. Where several readers answered one
question, its label is the mean of their answers: a rate is then that which readers of this kind
give on average, and how far they differ is part of its variance.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

from crownlet.infer.review.agreement import measure_agreement
from crownlet.infer.review.survey_questions import AuditedLetter

if TYPE_CHECKING:
    from crownlet.infer.review.store import ReviewStore
    from crownlet.infer.run.run import Run

LABEL_OF_CHOICE = {"present": 1.0, "not_present": 0.0}

ALL_DEFECTS = "any"
"""In place of a defect: all of them together."""

AuditedPlace = tuple[str, int, str]
"""Page, letter, defect."""


@dataclass(frozen=True)
class ReaderAnswer:
    """One reader's answer to one question of the audit."""

    page: str
    glyph: int
    defect: str
    reader: int
    """From 1, in the order in which they came."""
    choice: str
    """Present, not present, cannot tell, for an authority, or another letter than read."""


@dataclass(frozen=True)
class ReaderAgreement:
    """Two readers over the questions that both answered with present or not present.

    One row of readers.csv. Doubtful letters are drawn more often than others, so that this is the
    agreement on letters harder than the average one.
    """

    defect: str
    """A defect's name, or `any`."""
    first: int
    second: int
    n_both: int
    n_same: int
    agreement: float
    """`n_same` over `n_both`."""
    kappa: float | None
    """Agreement beyond chance (Cohen 1960); None where chance alone gives full agreement."""


@dataclass(frozen=True)
class AuditCounts:
    """How far the audit has come; counts of (letter, defect) pairs."""

    drawn: int
    decided: int
    """Answered with present or not present, before the reader was shown anything."""
    cannot_tell: int
    """Answered otherwise only: cannot tell, for an authority, or another letter than read."""


@dataclass(frozen=True)
class AuditLabels:
    """Everything that readers answered."""

    values: Mapping[AuditedPlace, float]
    """Labels from 0 to 1: the mean over the readers who answered present (1) or not present (0)."""
    cannot_tell: frozenset[AuditedPlace]
    """Answered, by nobody with present or not present."""
    answers: tuple[ReaderAnswer, ...]
    """In the order of the readers, then of page, letter and defect."""
    counts: AuditCounts
    agreement: tuple[ReaderAgreement, ...]


def read_labels(run: Run, audited: Iterable[AuditedLetter]) -> AuditLabels:
    """Read the decisions of a survey; StoreError if their file cannot be read."""
    from crownlet.infer.review.store import ReviewStore
    from crownlet.infer.run.names import REVIEW_STORE_FILE

    drawn = {(letter.page, letter.glyph, letter.defect) for letter in audited}
    path = run.folder / REVIEW_STORE_FILE
    by_reader: list[Mapping[AuditedPlace, str]] = []
    if path.is_file():
        store = ReviewStore.open(path, run)
        try:
            by_reader = [_read_answers(store, reader.name) for reader in store.readers()]
        finally:
            store.close()
    answers = tuple(
        ReaderAnswer(*place, number, own[place])
        for number, own in enumerate(by_reader, start=1)
        for place in sorted(own.keys() & drawn)
    )
    return collect_labels(answers, len(drawn))


def collect_labels(answers: Sequence[ReaderAnswer], drawn: int) -> AuditLabels:
    """Labels and agreement from all answers; `drawn` is the number of questions."""
    given: dict[AuditedPlace, list[float]] = defaultdict(list)
    for answer in answers:
        labels = given[answer.page, answer.glyph, answer.defect]
        if answer.choice in LABEL_OF_CHOICE:
            labels.append(LABEL_OF_CHOICE[answer.choice])
    values = {place: sum(labels) / len(labels) for place, labels in given.items() if labels}
    cannot_tell = frozenset(place for place, labels in given.items() if not labels)
    counts = AuditCounts(drawn, len(values), len(cannot_tell))
    return AuditLabels(values, cannot_tell, tuple(answers), counts, _compare_readers(answers))


def _read_answers(store: ReviewStore, reader: str) -> dict[AuditedPlace, str]:
    """One reader's answers to the audit."""
    items = {item.id: item for item in store.items(reader, state="all", reveal=True)}
    return {
        (items[number].page, items[number].glyphs[0], kind): decision.choice
        for number, kind, decision in store.independent_decisions(reader)
        if number in items and items[number].origin == "survey"
    }


def _compare_readers(answers: Sequence[ReaderAnswer]) -> tuple[ReaderAgreement, ...]:
    """Every two readers, by defect and over all; those without a question in common are absent."""
    choices: dict[int, dict[AuditedPlace, str]] = defaultdict(dict)
    for answer in answers:
        if answer.choice in LABEL_OF_CHOICE:
            choices[answer.reader][answer.page, answer.glyph, answer.defect] = answer.choice
    rows: list[ReaderAgreement] = []
    for first, second in combinations(sorted(choices), 2):
        pairs: dict[str, list[tuple[str, str]]] = defaultdict(list)
        for place, choice in choices[first].items():
            if place in choices[second]:
                for defect in (place[2], ALL_DEFECTS):
                    pairs[defect].append((choice, choices[second][place]))
        rows += [
            _describe_pair(defect, first, second, pairs[defect])
            for defect in sorted(pairs, key=lambda name: (name != ALL_DEFECTS, name))
        ]
    return tuple(rows)


def _describe_pair(
    defect: str, first: int, second: int, pairs: Sequence[tuple[str, str]]
) -> ReaderAgreement:
    measured = measure_agreement(pairs)
    same = sum(a == b for a, b in pairs)
    return ReaderAgreement(
        defect, first, second, len(pairs), same, same / len(pairs), measured.kappa
    )

"""The audit of a survey: letters drawn at random for each defect and scroll, and readers' answers.

In every scroll, for every defect, the same number of letters is drawn without replacement among
those that can have it and were examined for it, whatever their route (stratified sampling; Cochran,
Sampling Techniques, 3rd ed. 1977, chapter 5). So each (letter, defect) pair of a scroll has one
inclusion probability, known before the draw: letters drawn over letters there are. One defect is
asked of a letter at a time, which a reader does fastest, and no defect has fewer letters than
another.

Only what a reader answers before being shown anything counts, and of several readers the first to
come. A defect counts as audited when all its drawn letters are decided: readers go by letter, so
that those decided first are not a random sample.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from heapq import nsmallest
from typing import TYPE_CHECKING

from crownlet.infer.review.queue import stable_hash
from crownlet.infer.review.survey_questions import AuditedLetter
from crownlet.infer.survey.page_letters import PageLetters, list_examined

if TYPE_CHECKING:
    from crownlet.infer.review.store import ReviewStore
    from crownlet.infer.run.run import Run

LABEL_OF_CHOICE = {"present": 1.0, "not_present": 0.0}

AuditedPlace = tuple[str, int, str]
"""Page, letter, defect."""


@dataclass(frozen=True)
class AuditCounts:
    """How far the audit has come; counts of (letter, defect) pairs."""

    drawn: int
    decided: int
    """Answered with present or not present, before the reader was shown anything."""
    cannot_tell: int
    """Answered otherwise: cannot tell, for an authority, or another letter than read."""


@dataclass(frozen=True)
class AuditLabels:
    """Labels of the audit, 0 or 1."""

    values: Mapping[AuditedPlace, float]
    """Only of defects whose letters are all decided."""
    counts: AuditCounts
    notes: tuple[str, ...]


def draw_stratified_audit(
    scrolls: Mapping[str, Sequence[PageLetters]], defects: Iterable[str], size: float, seed: int
) -> tuple[AuditedLetter, ...]:
    """Draw `size` letters of each scroll for each defect, or that share of them if below 1.

    The same pages and seed give the same draw, in whatever order they come; a larger size draws
    the same letters and more. 0 draws none.
    """
    drawn = [
        letter
        for pages in scrolls.values()
        for defect in defects
        for letter in _draw_stratum(pages, defect, size, seed)
    ]
    return tuple(sorted(drawn, key=lambda letter: (letter.page, letter.glyph, letter.defect)))


def _draw_stratum(
    pages: Sequence[PageLetters], defect: str, size: float, seed: int
) -> list[AuditedLetter]:
    members = [(page.page, *letter) for page in pages for letter in list_examined(page, defect)]
    count = min(len(members), round(size) if size >= 1 else round(size * len(members)))
    if size > 0 and members:
        count = max(count, 1)
    drawn = nsmallest(count, members, key=lambda m: stable_hash(seed, "audit", defect, m[0], m[1]))
    return [AuditedLetter(*member, defect, count / len(members)) for member in drawn]


def read_labels(run: Run, audited: Iterable[AuditedLetter]) -> AuditLabels:
    """Read the decisions of a survey; StoreError if their file cannot be read."""
    from crownlet.infer.review.store import ReviewStore
    from crownlet.infer.run.names import REVIEW_STORE_FILE

    drawn: dict[str, list[AuditedPlace]] = defaultdict(list)
    for letter in audited:
        drawn[letter.defect].append((letter.page, letter.glyph, letter.defect))
    path = run.folder / REVIEW_STORE_FILE
    by_reader: list[dict[AuditedPlace, str]] = []
    if path.is_file():
        store = ReviewStore.open(path, run)
        try:
            by_reader = [_read_answers(store, reader.name) for reader in store.readers()]
        finally:
            store.close()
    first: dict[AuditedPlace, str] = {}
    for answers in reversed(by_reader):
        first.update(answers)
    return _collect_labels(drawn, first, _describe_disagreement(by_reader))


def _read_answers(store: ReviewStore, reader: str) -> dict[AuditedPlace, str]:
    """One reader's answers to the audit."""
    items = {item.id: item for item in store.items(reader, state="all", reveal=True)}
    return {
        (items[number].page, items[number].glyphs[0], kind): decision.choice
        for number, kind, decision in store.independent_decisions(reader)
        if number in items and items[number].origin == "survey"
    }


def _collect_labels(
    drawn: Mapping[str, list[AuditedPlace]],
    first: Mapping[AuditedPlace, str],
    notes: tuple[str, ...],
) -> AuditLabels:
    """Labels from the first answer to each question; `notes` come last among the notes."""
    values: dict[AuditedPlace, float] = {}
    answers: Counter[bool] = Counter()
    undecided: list[str] = []
    for defect, places in drawn.items():
        answered = [place for place in places if place in first]
        answers.update(first[place] in LABEL_OF_CHOICE for place in answered)
        if len(answered) == len(places):
            values.update(
                (place, LABEL_OF_CHOICE[first[place]])
                for place in answered
                if first[place] in LABEL_OF_CHOICE
            )
        elif answered:
            undecided.append(
                f"{defect}: {len(places) - len(answered)} of {len(places)} drawn letters are not "
                "decided yet; until they are, none of its labels counts."
            )
    total = sum(map(len, drawn.values()))
    counts = AuditCounts(total, answers[True], answers[False])
    return AuditLabels(values, counts, (*undecided, *notes))


def _describe_disagreement(by_reader: Sequence[Mapping[AuditedPlace, str]]) -> tuple[str, ...]:
    """How often later readers answered otherwise than the first."""
    notes = []
    for number, other in enumerate(by_reader[1:], start=2):
        both = [place for place in other if place in by_reader[0]]
        different = sum(other[place] != by_reader[0][place] for place in both)
        if both:
            notes.append(
                f"Reader {number} answered {len(both)} of the first reader's questions, "
                f"{different} of them differently; the first reader's word counts."
            )
    return tuple(notes)

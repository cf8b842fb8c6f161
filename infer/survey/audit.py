"""The audit of a survey: letters drawn by lot for each defect and scroll, whatever their route.

In every scroll, for every defect, the same number of letters is drawn without replacement among
those that can have it and were examined for it (stratified sampling; Cochran, Sampling Techniques,
3rd ed. 1977, chapter 5). So each (letter, defect) pair of a scroll has one chance, known before the
draw: letters drawn over letters there are. One defect is asked of a letter at a time, which a
reader does fastest, and no defect has fewer letters than another.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from heapq import nsmallest
from typing import TYPE_CHECKING

from crownlet.infer.review.queue import stable_hash
from crownlet.infer.review.survey_questions import Pair
from crownlet.infer.survey.page_letters import PageLetters, able

if TYPE_CHECKING:
    from crownlet.infer.review.store import ReviewStore
    from crownlet.infer.run.run import Run


def draw(
    scrolls: Mapping[str, Sequence[PageLetters]], defects: Iterable[str], size: float, seed: int
) -> tuple[Pair, ...]:
    """Draw `size` letters of each scroll for each defect, or that share of them if below 1.

    The same pages and seed give the same draw, in whatever order they come; a larger size draws
    the same letters and more. 0 draws none.
    """
    pairs = [
        pair
        for pages in scrolls.values()
        for defect in defects
        for pair in _stratum(pages, defect, size, seed)
    ]
    return tuple(sorted(pairs, key=lambda pair: (pair.page, pair.glyph, pair.defect)))


def _stratum(pages: Sequence[PageLetters], defect: str, size: float, seed: int) -> list[Pair]:
    members = [(page.page, *letter) for page in pages for letter in able(page, defect)]
    count = min(len(members), round(size) if size >= 1 else round(size * len(members)))
    if size > 0 and members:
        count = max(count, 1)
    drawn = nsmallest(count, members, key=lambda m: stable_hash(seed, "audit", defect, m[0], m[1]))
    return [Pair(*member, defect, count / len(members)) for member in drawn]


SAYS = {"present": 1.0, "not_present": 0.0}

Place = tuple[str, int, str]
"""Page, letter, defect."""


@dataclass(frozen=True)
class AuditCounts:
    """How far the audit has come; counts of (letter, defect) pairs."""

    drawn: int
    decided: int
    """Answered with present or not present, before the reader was told anything."""
    cannot_tell: int
    """Answered otherwise: cannot tell, for an authority, or another letter than read."""


@dataclass(frozen=True)
class Labels:
    """Labels of the audit, 0 or 1."""

    of: Mapping[Place, float]
    """Only of defects whose letters are all decided."""
    counts: AuditCounts
    notes: tuple[str, ...]


def labels(run: Run, pairs: Iterable[Pair]) -> Labels:
    """Read the decisions of a survey; ReviewStoreError if their file cannot be read."""
    from crownlet.infer.review.store import ReviewStore
    from crownlet.infer.run.names import STORE

    drawn: dict[str, list[Place]] = defaultdict(list)
    for pair in pairs:
        drawn[pair.defect].append((pair.page, pair.glyph, pair.defect))
    path = run.folder / STORE
    said: list[dict[Place, str]] = []
    if path.is_file():
        store = ReviewStore.open(path, run)
        try:
            said = [_said(store, reader.name) for reader in store.readers()]
        finally:
            store.close()
    first: dict[Place, str] = {}
    for reader in reversed(said):
        first.update(reader)
    return _labels(drawn, first, _differ(said))


def _said(store: ReviewStore, reader: str) -> dict[Place, str]:
    """One reader's answers to the audit."""
    items = {item.id: item for item in store.items(reader, state="all", reveal=True)}
    return {
        (items[number].page, items[number].glyphs[0], kind): decision.choice
        for number, kind, decision in store.alone(reader)
        if number in items and items[number].origin == "survey"
    }


def _labels(
    drawn: Mapping[str, list[Place]], first: Mapping[Place, str], notes: tuple[str, ...]
) -> Labels:
    found: dict[Place, float] = {}
    answers: Counter[bool] = Counter()
    open_: list[str] = []
    for defect, places in drawn.items():
        answered = [place for place in places if place in first]
        answers.update(first[place] in SAYS for place in answered)
        if len(answered) == len(places):
            found.update((p, SAYS[first[p]]) for p in answered if first[p] in SAYS)
        elif answered:
            open_.append(
                f"{defect}: {len(places) - len(answered)} of {len(places)} drawn letters are not "
                "decided yet; until they are, none of its labels counts."
            )
    total = sum(map(len, drawn.values()))
    return Labels(found, AuditCounts(total, answers[True], answers[False]), (*open_, *notes))


def _differ(said: list[dict[Place, str]]) -> tuple[str, ...]:
    """How often later readers said otherwise than the first."""
    notes = []
    for number, other in enumerate(said[1:], start=2):
        both = [place for place in other if place in said[0]]
        unlike = sum(other[place] != said[0][place] for place in both)
        if both:
            notes.append(
                f"Reader {number} answered {len(both)} of the first reader's questions, "
                f"{unlike} of them differently; the first reader's word counts."
            )
    return tuple(notes)

"""The teaching sheet: one page for each defect, findings beside clean letters.

No source and no scroll is named in it, as it is made to be shown.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from crownlet.datasets.files.images import PageError
from crownlet.datasets.scribal.catalogue import CATALOGUE, Opinion
from crownlet.infer.findings.finding import Finding
from crownlet.infer.run.run import Run, StoredScroll
from crownlet.infer.sheet.decisions import Decisions
from crownlet.infer.sheet.entry import Comparison, compare_with_clean
from crownlet.infer.sheet.page import SheetPage
from crownlet.infer.sheet.render import render
from crownlet.infer.sheet.scroll_sheet import load_pages
from crownlet.infer.sheet.wellformed import CleanLetterFinder
from crownlet.infer.sheet.wording import (
    CitedOpinion,
    cite_opinions,
    sources_differ,
    trade_term,
)
from crownlet.infer.view.wording import defect_words, describe_defect, latin_name

MAX_EXAMPLES = 2
"""As many as one page holds with large pictures."""

TEACHING_KULMUS_PX = (44.0, 64.0)
"""px of a kulmus in the large pictures of this sheet."""


@dataclass(frozen=True)
class Candidate:
    """A finding that may serve as an example."""

    scroll: StoredScroll
    page: str
    finding: Finding
    confirmed: bool = False
    """Whether a reader decided that it is there."""


@dataclass(frozen=True)
class LessonExample:
    """A finding beside a clean letter."""

    name: str
    """Name of the letter, empty for a gap."""
    comparison: Comparison


@dataclass(frozen=True)
class Lesson:
    """One page of the teaching sheet."""

    title: str
    term: str | None
    described: str
    letters: str
    """The letters that can have it."""
    examples: tuple[LessonExample, ...]
    cited: tuple[CitedOpinion, ...]
    differ: bool
    found: int
    """Findings of this kind in the run."""
    scrolls: int
    """Scrolls in which there are some."""


def render_teaching_sheet(
    run: Run,
    scrolls: Iterable[StoredScroll],
    show_names: bool = False,
    decisions: Decisions | None = None,
) -> str:
    """The teaching sheet of some scrolls of a run; RunError for a damaged table."""
    made = make_lessons(run, scrolls, show_names, decisions)
    return render("teaching.html", lessons=made, shows_names=show_names)


def make_lessons(
    run: Run,
    scrolls: Iterable[StoredScroll],
    show_names: bool = False,
    decisions: Decisions | None = None,
) -> tuple[Lesson, ...]:
    """A lesson for each defect found in the scrolls, in the order of the catalogue.

    Scrolls whose pictures have moved give no examples, nor do findings that a reader decided to be
    other than present; without an example there is no lesson.
    """
    source = _ExampleSource(run, show_names)
    by_kind = _candidates_by_kind(run, scrolls, decisions or Decisions())
    made = (_make_lesson(source, kind, by_kind[kind]) for kind in CATALOGUE if kind in by_kind)
    return tuple(lesson for lesson in made if lesson.examples)


def _candidates_by_kind(
    run: Run, scrolls: Iterable[StoredScroll], decisions: Decisions
) -> Mapping[str, list[Candidate]]:
    table: dict[str, list[Candidate]] = {}
    for scroll in scrolls:
        for page in (*scroll.faces, *scroll.reverses):
            for finding in run.pages[page].findings:
                made = decisions.get((page, finding.number), ())
                choices = {decision.choice for decision in made if not decision.about}
                if finding.scope != "page" and _is_sure_enough(finding, choices):
                    candidate = Candidate(scroll, page, finding, bool(choices))
                    table.setdefault(finding.kind, []).append(candidate)
    return table


def _is_sure_enough(finding: Finding, choices: set[str]) -> bool:
    """Whether a finding is sure enough, by a reader or, where none has looked, by the program."""
    if choices:
        return choices == {"present"}
    return finding.route == "finding" and finding.sure


class _ExampleSource:
    """The pages of scrolls, each read when an example is first taken from it."""

    def __init__(self, run: Run, show_names: bool) -> None:
        self._run, self._show_names = run, show_names
        self._known: dict[str, tuple[dict[str, SheetPage], CleanLetterFinder] | None] = {}

    def example(self, candidate: Candidate) -> LessonExample | None:
        """The example, or None if its picture has moved."""
        if candidate.scroll.name not in self._known:
            self._known[candidate.scroll.name] = self._read(candidate.scroll)
        known = self._known[candidate.scroll.name]
        comparison = known and compare_with_clean(
            known[0][candidate.page], candidate.finding, known[1], TEACHING_KULMUS_PX
        )
        if not comparison:
            return None
        letter = candidate.finding.letter
        name = latin_name(letter) if letter else ""
        return LessonExample(name, comparison)

    def _read(self, scroll: StoredScroll) -> tuple[dict[str, SheetPage], CleanLetterFinder] | None:
        try:
            pages = load_pages(self._run, scroll, self._show_names)
        except PageError:
            return None
        return {page.name: page for page in pages}, CleanLetterFinder(
            [page.veiled for page in pages]
        )


def _make_lesson(source: _ExampleSource, kind: str, candidates: Sequence[Candidate]) -> Lesson:
    examples = filter(None, map(source.example, choose_examples(candidates)))
    opinions: tuple[Opinion, ...] = CATALOGUE[kind].gravity
    return Lesson(
        title=defect_words(kind), term=trade_term(kind), described=describe_defect(kind),
        letters=CATALOGUE[kind].letters,
        examples=tuple(examples), cited=cite_opinions(opinions), differ=sources_differ(opinions),
        found=len(candidates), scrolls=len({c.scroll.name for c in candidates}),
    )  # fmt: skip


def choose_examples(candidates: Iterable[Candidate], most: int = MAX_EXAMPLES) -> list[Candidate]:
    """First what readers confirmed, then the surest; letters and scrolls differ where possible.

    Letters of a Divine Name are left out.
    """
    remaining = [candidate for candidate in candidates if not candidate.finding.in_name]
    remaining.sort(key=lambda c: (not c.confirmed, -(c.finding.p or 1.0), c.page, c.finding.number))
    chosen: list[Candidate] = []
    while remaining and len(chosen) < most:
        # min takes the first of equals, so the surest.
        best = min(remaining, key=lambda candidate: _similarity(candidate, chosen))
        remaining.remove(best)
        chosen.append(best)
    return chosen


def _similarity(candidate: Candidate, chosen: Sequence[Candidate]) -> int:
    letters = sum(candidate.finding.letter == other.finding.letter for other in chosen)
    return 2 * letters + sum(candidate.scroll.name == other.scroll.name for other in chosen)

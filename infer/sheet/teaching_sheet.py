"""The teaching sheet: one page a defect, what was found beside what is well formed.

No source and no scroll is named in it: it is made to be shown.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from crownlet.datasets.files.images import PageError
from crownlet.datasets.scribal.catalogue import CATALOGUE, Opinion
from crownlet.infer.findings.finding import Finding
from crownlet.infer.run.run import Run, StoredScroll
from crownlet.infer.sheet import wording as words
from crownlet.infer.sheet.decisions import Decisions
from crownlet.infer.sheet.entry import Comparison, compare_with_clean
from crownlet.infer.sheet.page import SheetPage
from crownlet.infer.sheet.render import render
from crownlet.infer.sheet.scroll_sheet import load_pages
from crownlet.infer.sheet.wellformed import CleanLetterFinder
from crownlet.infer.view import wording as words_
from crownlet.infer.view.wording import defect_words, latin_name

MAX_EXAMPLES = 2
"""As many as one page holds with large pictures."""

TEACHING_KULMUS_PX = (44.0, 64.0)
"""px of a kulmus in the large pictures of this sheet."""


@dataclass(frozen=True)
class Candidate:
    """A finding that may stand as an example."""

    scroll: StoredScroll
    page: str
    finding: Finding
    confirmed: bool = False
    """Whether a reader decided that it is there."""


@dataclass(frozen=True)
class LessonExample:
    """A finding with what is well formed beside it."""

    name: str
    """Name of the letter, empty for a white."""
    says: str
    network: str
    compared: Comparison


@dataclass(frozen=True)
class Lesson:
    """One page of the teaching sheet."""

    title: str
    term: str | None
    described: str
    letters: str
    """The letters that can have it."""
    examples: tuple[LessonExample, ...]
    cited: tuple[words.CitedOpinion, ...]
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
    bench = _ExampleSource(run, show_names)
    by_kind = _candidates_by_kind(run, scrolls, decisions or {})
    made = (_make_lesson(bench, kind, by_kind[kind]) for kind in CATALOGUE if kind in by_kind)
    return tuple(lesson for lesson in made if lesson.examples)


def _candidates_by_kind(
    run: Run, scrolls: Iterable[StoredScroll], decisions: Decisions
) -> Mapping[str, list[Candidate]]:
    table: dict[str, list[Candidate]] = {}
    for scroll in scrolls:
        for page in (*scroll.faces, *scroll.reverses):
            for finding in run.pages[page].findings:
                said = {d.choice for d in decisions.get((page, finding.number), ()) if not d.about}
                if finding.scope != "page" and _is_sure_enough(finding, said):
                    choice = Candidate(scroll, page, finding, bool(said))
                    table.setdefault(finding.kind, []).append(choice)
    return table


def _is_sure_enough(finding: Finding, said: set[str]) -> bool:
    """Whether a finding is sure enough, by a reader or, where none has looked, by the program."""
    return said == {"present"} if said else finding.route == "finding" and finding.sure


class _ExampleSource:
    """The pages of scrolls, each read when an example is first taken from it."""

    def __init__(self, run: Run, show_names: bool) -> None:
        self._run, self._show_names = run, show_names
        self._known: dict[str, tuple[dict[str, SheetPage], CleanLetterFinder] | None] = {}

    def example(self, choice: Candidate) -> LessonExample | None:
        """The example, or None if its picture has moved."""
        if choice.scroll.name not in self._known:
            self._known[choice.scroll.name] = self._read(choice.scroll)
        known = self._known[choice.scroll.name]
        compared = known and compare_with_clean(
            known[0][choice.page], choice.finding, known[1], TEACHING_KULMUS_PX
        )
        if not compared:
            return None
        letter = choice.finding.letter
        name = latin_name(letter) if letter else ""
        return LessonExample(
            name, choice.finding.says, words.network_words(choice.finding), compared
        )

    def _read(self, scroll: StoredScroll) -> tuple[dict[str, SheetPage], CleanLetterFinder] | None:
        try:
            pages = load_pages(self._run, scroll, self._show_names)
        except PageError:
            return None
        return {page.name: page for page in pages}, CleanLetterFinder(
            [page.veiled for page in pages]
        )


def _make_lesson(bench: _ExampleSource, kind: str, choices: Sequence[Candidate]) -> Lesson:
    examples = filter(None, map(bench.example, choose_examples(choices)))
    opinions: tuple[Opinion, ...] = CATALOGUE[kind].gravity
    return Lesson(
        title=defect_words(kind), term=words.trade_term(kind), described=words_.describe_defect(kind),
        letters=CATALOGUE[kind].letters,
        examples=tuple(examples), cited=words.cite_opinions(opinions), differ=words.sources_differ(opinions),
        found=len(choices), scrolls=len({choice.scroll.name for choice in choices}),
    )  # fmt: skip


def choose_examples(choices: Iterable[Candidate], most: int = MAX_EXAMPLES) -> list[Candidate]:
    """What readers confirmed, then the surest, of different letters and scrolls as far as may be.

    Letters of a Divine Name are left out.
    """
    rest = [choice for choice in choices if not choice.finding.in_name]
    rest.sort(key=lambda c: (not c.confirmed, -(c.finding.p or 1.0), c.page, c.finding.number))
    chosen: list[Candidate] = []
    while rest and len(chosen) < most:
        # min takes the first of equals, so the surest.
        best = min(rest, key=lambda choice: _similarity(choice, chosen))
        rest.remove(best)
        chosen.append(best)
    return chosen


def _similarity(choice: Candidate, chosen: Sequence[Candidate]) -> int:
    letters = sum(choice.finding.letter == other.finding.letter for other in chosen)
    return 2 * letters + sum(choice.scroll.name == other.scroll.name for other in chosen)

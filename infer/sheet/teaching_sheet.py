"""The teaching sheet: a set of posters, one for each defect found, always beside a good form.

Letters come from single findings and from what hands do again and again. A well-formed letter of
the same scroll stands beside them, of another scroll of the run where that one has none, and our
drawing. No source and no scroll is named in it, as it is made to be shown.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from crownlet.datasets.files.images import PageError
from crownlet.datasets.scribal.catalogue import CATALOGUE, Opinion
from crownlet.infer.findings.finding import Finding
from crownlet.infer.records import Box, GlyphRecord
from crownlet.infer.run.run import Run, StoredScroll
from crownlet.infer.sheet.decisions import Decisions
from crownlet.infer.sheet.drawings import LetterDrawing, read_drawing
from crownlet.infer.sheet.loading import load_pages, scroll_facts
from crownlet.infer.sheet.page import SheetPage, extent_q
from crownlet.infer.sheet.pictures import PictureWindow, cut_window
from crownlet.infer.sheet.render import render
from crownlet.infer.sheet.scroll_habits import read_habits
from crownlet.infer.sheet.statements import (
    CROP_MARGIN_Q,
    GOOD_CROPS,
    MAX_CROP_Q,
    MIN_CROP_Q,
    POSTER_CROPS,
    POSTER_KULMUS_PX,
)
from crownlet.infer.sheet.wellformed import (
    CleanLetterFinder,
    ExampleLetters,
    has_crowns_of_drawing,
)
from crownlet.infer.sheet.wording import (
    CitedOpinion,
    cite_opinions,
    sources_differ,
    trade_term,
)
from crownlet.infer.view.language import translate
from crownlet.infer.view.wording import defect_words, describe_defect, latin_name

MAX_GAP_CROP_Q = 16.0
"""Greatest side of a crop that shows a gap, q."""

GAP_CROPS = 4
"""Gaps on a poster, which are shown larger than letters."""

MAX_SCROLLS_SEARCHED = 4
"""Other scrolls whose pictures are read to find a good form; each may take a second."""

SAME_SCROLL, OTHER_SCROLL = "same scroll", "another scroll of the run"


@dataclass(frozen=True)
class Candidate:
    """A place that may serve as an example."""

    scroll: StoredScroll
    page: str
    glyphs: tuple[int, ...]
    box: Box
    letter: str
    """"" for a gap."""
    p: float
    confirmed: bool = False
    """Whether a reader decided that it is there."""


@dataclass(frozen=True)
class GoodForm:
    """A letter, or a gap, without the defect."""

    window: PictureWindow
    words: str


@dataclass(frozen=True)
class Lesson:
    """One poster of the teaching sheet."""

    title: str
    term: str | None
    described: str
    letters: str
    """The letters that can have it."""
    crops: tuple[PictureWindow, ...]
    good: tuple[GoodForm, ...]
    drawing: LetterDrawing | None
    """None for gaps."""
    drawn_name: str
    size_q: float
    cited: tuple[CitedOpinion, ...]
    differ: bool


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

    Scrolls whose pictures have moved give no examples, nor do places that a reader decided to be
    other than present; without an example there is no lesson.
    """
    listed = list(scrolls)
    source = _Pictures(run, listed, show_names)
    by_kind = _candidates_by_kind(run, listed, decisions or Decisions())
    made = (_make_lesson(source, kind, by_kind[kind]) for kind in CATALOGUE if kind in by_kind)
    return tuple(lesson for lesson in made if lesson is not None)


def _candidates_by_kind(
    run: Run, scrolls: Iterable[StoredScroll], decisions: Decisions
) -> Mapping[str, list[Candidate]]:
    table: dict[str, list[Candidate]] = {}
    for scroll in scrolls:
        known: set[tuple[str, str, tuple[int, ...]]] = set()
        for kind, candidate in (
            *_of_findings(run, scroll, decisions), *_of_habits(run, scroll, decisions),
        ):  # fmt: skip
            if (kind, candidate.page, candidate.glyphs) not in known:
                known.add((kind, candidate.page, candidate.glyphs))
                table.setdefault(kind, []).append(candidate)
    return table


def _of_findings(
    run: Run, scroll: StoredScroll, decisions: Decisions
) -> Iterator[tuple[str, Candidate]]:
    for page in (*scroll.faces, *scroll.reverses):
        for finding in run.pages[page].findings:
            made = decisions.get((page, finding.number), ())
            choices = {decision.choice for decision in made if not decision.about}
            if finding.scope == "page" or finding.in_name or not finding.glyphs:
                continue
            if _is_sure_enough(finding, choices):
                yield finding.kind, Candidate(
                    scroll, page, finding.glyphs, finding.box,
                    finding.letter or "" if len(finding.glyphs) == 1 else "",
                    1.0 if finding.p is None else finding.p, bool(choices),
                )  # fmt: skip


def _of_habits(
    run: Run, scroll: StoredScroll, decisions: Decisions
) -> Iterator[tuple[str, Candidate]]:
    """Letters of what the hand does again and again; those that a reader set aside are left out."""
    for habit in read_habits(run, scroll.pages, scroll_facts(run, scroll), decisions):
        for page, number in habit.evidence:
            letter = run.pages[page].record.glyphs[number - 1]
            if number not in run.pages[page].names:
                state = decisions.letter_state((page, number, habit.defect))
                if habit.doubted and state != "confirmed":
                    continue
                yield habit.defect, Candidate(
                    scroll, page, (number,), letter.box, letter.judged_as,
                    letter.p.get(habit.defect) or 0.0, state == "confirmed",
                )  # fmt: skip


def _is_sure_enough(finding: Finding, choices: set[str]) -> bool:
    """Whether a finding is sure enough, by a reader or, where none has looked, by the program."""
    if choices:
        return choices == {"present"}
    return finding.route == "finding" and finding.sure


class _Pictures:
    """The pages of scrolls, each loaded when something is first taken from it."""

    def __init__(self, run: Run, scrolls: Sequence[StoredScroll], show_names: bool) -> None:
        self._run, self._scrolls, self._show_names = run, scrolls, show_names
        self._in_use = sum(len(scroll.pages) for scroll in scrolls)
        self._known: dict[str, dict[str, SheetPage]] = {}

    def pages(self, scroll: StoredScroll) -> dict[str, SheetPage]:
        """The pages of a scroll by name; empty where its pictures have moved."""
        if scroll.name not in self._known:
            try:
                pages = load_pages(self._run, scroll, self._show_names, in_use=self._in_use)
            except PageError:
                pages = []
            self._known[scroll.name] = {page.name: page for page in pages}
        return self._known[scroll.name]

    def good_letters(self, kind: str, one: Candidate) -> list[tuple[ExampleLetters, str]]:
        """A good form from the candidate's scroll, else from another one: read ones first."""
        others = [each for each in self._scrolls if each.name != one.scroll.name]
        others.sort(key=lambda each: each.name not in self._known)
        for number, scroll in enumerate((one.scroll, *others[:MAX_SCROLLS_SEARCHED])):
            pages = self.pages(scroll)
            found = _find_good(pages.values(), kind, one, pages.get(one.page)) if pages else None
            if found is not None:
                where = OTHER_SCROLL if number else SAME_SCROLL
                return [(found, f"{_words(found, next(iter(pages.values())))}, {translate(where)}")]
        return []


def _words(example: ExampleLetters, page: SheetPage) -> str:
    """What an example is called: well formed only where its crowns are those of the drawing."""
    like = all(has_crowns_of_drawing(letter, page.customs) for letter in example.letters)
    return translate("Well formed" if like else "For comparison")


def _find_good(
    pages: Iterable[SheetPage], kind: str, one: Candidate, near: SheetPage | None
) -> ExampleLetters | None:
    listed = list(pages)
    finder = CleanLetterFinder([page.veiled for page in listed])
    start = near or listed[0]
    if not one.letter:
        pair = "".join(glyph.letter for glyph in _letters(near, one.glyphs)) if near else ""
        return finder.find_gap(pair, kind, start.veiled)
    found = finder.find_letter(one.letter, kind, start.veiled)
    if found is None or not kind.startswith("tag_"):
        return found
    like = has_crowns_of_drawing(found.letters[0], start.customs)
    return found if like else None


def _letters(page: SheetPage, glyphs: Iterable[int]) -> tuple[GlyphRecord, ...]:
    return tuple(page.veiled.record.glyphs[number - 1] for number in glyphs)


def _make_lesson(source: _Pictures, kind: str, candidates: Sequence[Candidate]) -> Lesson | None:
    gaps = CATALOGUE[kind].scope == "gap" or not candidates[0].letter
    chosen = choose_examples(candidates, GAP_CROPS if gaps else POSTER_CROPS)
    shown = [
        (page, one)
        for one in chosen
        if (page := source.pages(one.scroll).get(one.page)) is not None
    ]
    if not shown:
        return None
    good: list[tuple[ExampleLetters, str]] = []
    for _, one in shown:
        known = {each.letters[0].letter for each, _ in good}
        if len(good) < GOOD_CROPS and (gaps or one.letter not in known):
            good += source.good_letters(kind, one)
        if gaps and good:
            break
    char = next((one.letter for _, one in shown if one.letter), "")
    drawing = read_drawing(char, shown[0][0].customs) if char else None
    size = _size_q(shown, good, drawing, MAX_GAP_CROP_Q if gaps else MAX_CROP_Q)
    opinions: tuple[Opinion, ...] = CATALOGUE[kind].gravity
    return Lesson(
        title=defect_words(kind), term=trade_term(kind), described=describe_defect(kind),
        letters=CATALOGUE[kind].letters,
        crops=tuple(_cut(page, _letters(page, one.glyphs), one.box, size) for page, one in shown),
        good=tuple(
            GoodForm(_cut_example(each, size), words) for each, words in good
        ),
        drawing=drawing, drawn_name=latin_name(char) if char else "", size_q=size,
        cited=cite_opinions(opinions), differ=sources_differ(opinions),
    )  # fmt: skip


def _size_q(
    shown: Iterable[tuple[SheetPage, Candidate]], good: Iterable[tuple[ExampleLetters, str]],
    drawing: LetterDrawing | None, most: float,
) -> float:  # fmt: skip
    """Side of the square that every picture of a poster shows, q."""
    extents = [
        extent_q(one.box, letter.q, letter.rotation)
        for page, one in shown
        for letter in _letters(page, one.glyphs[:1])
    ]
    extents += [extent_q(e.box, e.letters[0].q, e.letters[0].rotation) for e, _ in good]
    if drawing is not None:
        extents.append(extent_q(drawing.box, 100.0, 0.0))
    sides = (side + 2 * CROP_MARGIN_Q for extent in extents for side in extent)
    return min(max(MIN_CROP_Q, *sides), most)


def _cut(page: SheetPage, letters: Sequence[GlyphRecord], box: Box, size: float) -> PictureWindow:
    first = letters[0]
    return cut_window(
        page.veiled, box, (size, size), first.q, first.rotation, letters, (), POSTER_KULMUS_PX
    )


def _cut_example(each: ExampleLetters, size: float) -> PictureWindow:
    first = each.letters[0]
    return cut_window(
        each.page, each.box, (size, size), first.q, first.rotation, each.letters, (),
        POSTER_KULMUS_PX,
    )  # fmt: skip


def choose_examples(candidates: Iterable[Candidate], most: int) -> list[Candidate]:
    """First what readers confirmed, then the surest; letters and scrolls differ where possible."""
    remaining = sorted(candidates, key=lambda c: (not c.confirmed, -c.p, c.page, c.glyphs))
    letters: dict[str, int] = {}
    scrolls: dict[str, int] = {}
    chosen: list[Candidate] = []

    def seen_before(one: Candidate) -> int:
        return 2 * letters.get(one.letter, 0) + scrolls.get(one.scroll.name, 0)

    while remaining and len(chosen) < most:
        # min takes the first of equals, so the surest.
        best = min(remaining, key=seen_before)
        remaining.remove(best)
        chosen.append(best)
        letters[best.letter] = letters.get(best.letter, 0) + 1
        scrolls[best.scroll.name] = scrolls.get(best.scroll.name, 0) + 1
    return chosen

"""The hand of a scroll in a few plain sentences, each with a wall of bare letters and good forms.

The sentences are the statements of habit of the run, gravest first, then by share. A wall shows
letters that have the habit, as large as a page allows and without marks, beside letters without it:
from the scroll's other side where there is one, and our drawing.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.infer.findings.finding import Heading
from crownlet.infer.findings.severity import opinions_on
from crownlet.infer.records import LETTER_EXTRA, GlyphRecord, PageRecord
from crownlet.infer.sheet.drawings import LetterDrawing, read_drawing
from crownlet.infer.sheet.loading import find_customs
from crownlet.infer.sheet.page import SheetPage, extent_q
from crownlet.infer.sheet.pictures import PictureWindow, cut_window
from crownlet.infer.sheet.scroll_habits import Habit
from crownlet.infer.sheet.spread import CropKey, spread_letters
from crownlet.infer.sheet.wellformed import has_crowns_of_drawing
from crownlet.infer.sheet.wording import CitedOpinion, cite_opinions, sources_differ
from crownlet.infer.view.language import translate
from crownlet.infer.view.wording import latin_name

MAX_STATEMENTS = 8
"""Sentences with which a sheet opens: all that one hand has, but for hands like no other, so that
hardly a finding on the hand is without pictures."""

WALL_CROPS, POSTER_CROPS = 12, 8
"""Letters shown on a wall of the sheet, and on a poster."""

GOOD_CROPS = 2
"""Letters of the scroll without the habit that are shown beside it."""

WALL_KULMUS_PX, POSTER_KULMUS_PX = (26.0, 36.0), (40.0, 64.0)
"""Least and greatest width of the pen in a crop, px."""

MIN_CROP_Q, MAX_CROP_Q, MAX_WIDE_CROP_Q, CROP_MARGIN_Q = 6.0, 11.0, 24.0, 0.9
"""Least and greatest side of the square that a crop shows, the greatest for a letter that is drawn
out, and room about the letter, q."""

MAX_GOOD_DOUBT = 0.1
"""Greatest probability of the defect on a letter that is shown as the good form."""

WHO_TO_ASK: Mapping[Heading, str] = {
    "question": "Whether and how far this matters is a question for a recognised authority.",
    "outset": "The books ask for it at the outset: a question for the scribe and for an authority.",
    "custom": "Ask by which custom the scribe writes.",
    "information": "For the examiner to know.",
}
"""Who is to be asked, by heading."""

LOOK_FIRST = "Look first whether it is so."
"""In its place where the letters are in doubt."""


@dataclass(frozen=True)
class StatementCrop:
    """One bare letter."""

    key: CropKey
    window: PictureWindow
    at: str

    @property
    def name(self) -> str:
        """Its key as it stands in an address."""
        return f"{self.key[0]}:{self.key[1]}"


@dataclass(frozen=True)
class HandStatement:
    """One sentence about the hand, ready for its wall."""

    number: int
    habit: Habit
    crops: tuple[StatementCrop, ...]
    good: tuple[StatementCrop, ...]
    drawing: LetterDrawing
    drawn_name: str
    size_q: float
    """Side of the square that every crop and the drawing show, q."""
    cited: tuple[CitedOpinion, ...]
    differ: bool
    entries: tuple[tuple[str, str], ...] = ()
    """Number and anchor of the findings on the sheet that it is."""

    @property
    def ask(self) -> str:
        """Who is to be asked, once it is seen."""
        return LOOK_FIRST if self.habit.doubted else WHO_TO_ASK[self.habit.heading]

    @property
    def has_form(self) -> bool:
        """Whether it is about letters, which have a good form; marks have none."""
        return self.habit.defect != LETTER_EXTRA

    @property
    def described(self) -> str:
        """What the defect is."""
        return CATALOGUE[self.habit.defect].description

    @property
    def more(self) -> int:
        """Letters that show it and stand on no crop."""
        return len(self.habit.evidence) - len(self.crops)


GoodLetterSearch = Callable[[Habit], Sequence[tuple[SheetPage, GlyphRecord]]]
"""Finds letters without a habit in other scrolls."""


def make_statements(
    habits: Sequence[Habit],
    pages: Sequence[SheetPage],
    most: int = MAX_STATEMENTS,
    elsewhere: GoodLetterSearch = lambda habit: (),
) -> tuple[HandStatement, ...]:
    """The first statements with their walls, and all that is in doubt with all its letters, since
    these stand nowhere else; one without a letter that may be shown is left out.

    `elsewhere` finds good letters for a hand that has none.
    """
    made = (
        make_statement(
            number, habit, pages, elsewhere=elsewhere,
            count=len(habit.evidence) if habit.doubted else WALL_CROPS,
        )
        for number, habit in enumerate(habits, start=1)
        if number <= most or habit.doubted
    )  # fmt: skip
    return tuple(each for each in made if each is not None)


def make_statement(
    number: int,
    habit: Habit,
    pages: Sequence[SheetPage],
    chosen: Iterable[CropKey] = (),
    count: int = WALL_CROPS,
    q_px: tuple[float, float] = WALL_KULMUS_PX,
    elsewhere: GoodLetterSearch = lambda habit: (),
) -> HandStatement | None:
    """One statement with its crops: `chosen` letters first, then others of its evidence.

    None where no letter of the evidence may be shown: letters of a Divine Name are left out.
    """
    evidence = shown_evidence(habit, pages)
    wanted = [key for key in chosen if key in evidence]
    keys = [*wanted, *(k for k in spread_letters(evidence) if k not in wanted)][:count]
    if not keys:
        return None
    by_name = {page.name: page for page in pages}
    good = _good_letters(habit, pages, {page for page, _ in keys}) or elsewhere(habit)
    char = evidence[keys[0]].letter
    customs = pages[0].customs
    drawing = read_drawing(char, customs)
    letters = [evidence[key] for key in keys] + [letter for _, letter in good]
    size = max(MIN_CROP_Q, *(
        side + 2 * CROP_MARGIN_Q
        for extent in (*(extent_q(g.box, g.q, g.rotation) for g in letters),
                       extent_q(drawing.box, 100.0, 0.0))
        for side in extent
    ))  # fmt: skip
    size = min(size, MAX_CROP_Q)
    opinions = tuple(dict.fromkeys(
        o for form in habit.letters or char for o in opinions_on(habit.defect, form or None)
    ))  # fmt: skip
    return HandStatement(
        number, habit,
        tuple(cut_letter(by_name[key[0]], evidence[key], size, q_px) for key in keys),
        tuple(cut_letter(page, letter, size, q_px) for page, letter in good),
        drawing, latin_name(char), size, cite_opinions(opinions), sources_differ(opinions),
        tuple(
            (page.label(f), page.anchor(f)) for page in pages for f in page.findings
            if f.scope == "page" and f.kind == habit.defect
            and any((page.name, n) in habit.evidence for n in f.glyphs)
        ),
    )  # fmt: skip


def shown_evidence(habit: Habit, pages: Sequence[SheetPage]) -> dict[CropKey, GlyphRecord]:
    """The letters of the evidence that may be shown, by their keys."""
    by_name = {page.name: page for page in pages}
    found: dict[CropKey, GlyphRecord] = {}
    for name, number in habit.evidence:
        page = by_name.get(name)
        glyphs = page.veiled.record.glyphs if page else ()
        if page and 0 < number <= len(glyphs) and number not in page.veiled.names:
            found[name, number] = glyphs[number - 1]
    return found


def _good_letters(
    habit: Habit, pages: Sequence[SheetPage], shown_on: set[str]
) -> list[tuple[SheetPage, GlyphRecord]]:
    """Letters of the forms concerned without the habit, other sides than those shown first."""
    found = [
        (page, glyph)
        for page in pages
        for glyph in good_letters_of(habit, page.veiled.record, page.name, page.veiled.names)
    ]
    found.sort(key=lambda row: (row[0].name in shown_on, row[1].p.get(habit.defect) or 0.0))
    return found[:GOOD_CROPS]


def good_letters_of(
    habit: Habit, record: PageRecord, page: str, names: Collection[int]
) -> list[GlyphRecord]:
    """The letters of a page of the forms concerned without the habit, the surest first; `names` are
    the numbers of letters that are not shown."""
    customs, bad = find_customs(record), set(habit.evidence)
    found = [
        glyph
        for glyph in record.glyphs
        if glyph.letter in habit.letters
        and (page, glyph.glyph) not in bad
        and glyph.glyph not in names
        and _is_good(glyph, habit.defect)
        and (not habit.defect.startswith("tag_") or has_crowns_of_drawing(glyph, customs))
    ]
    return sorted(found, key=lambda glyph: glyph.p.get(habit.defect) or 0.0)


def _is_good(glyph: GlyphRecord, defect: str) -> bool:
    doubt = glyph.p.get(defect)
    examined = doubt is not None and defect not in glyph.not_examined
    doubted = {*glyph.reasons, *glyph.unrouted_doubts}
    return examined and defect not in doubted and (doubt or 0.0) < MAX_GOOD_DOUBT


def cut_letter(
    page: SheetPage, letter: GlyphRecord, size_q: float, q_px: tuple[float, float]
) -> StatementCrop:
    """A square crop of one letter, with its place in words; it shows the letter whole."""
    own = max(extent_q(letter.box, letter.q, letter.rotation)) + 2 * CROP_MARGIN_Q
    size_q = max(size_q, min(own, MAX_WIDE_CROP_Q))
    window = cut_window(
        page.veiled, letter.box, (size_q, size_q), letter.q, letter.rotation, (letter,), (), q_px
    )
    return StatementCrop((page.name, letter.glyph), window, letter_place(page, letter))


def letter_place(page: SheetPage, letter: GlyphRecord) -> str:
    """Where a letter stands, words counted from the beginning of the line."""
    first = page.lines[letter.line][0].word
    return translate(
        "{side}, line {line}, word {word}",
        side=page.side, line=letter.line, word=letter.word - first + 1,
    )  # fmt: skip


def exchange(keys: Sequence[CropKey], at: int, by: CropKey) -> tuple[CropKey, ...]:
    """Keys with another letter at one place; the two change places where both are shown."""
    changed = list(keys)
    if by in changed:
        changed[changed.index(by)] = changed[at]
    changed[at] = by
    return tuple(changed)

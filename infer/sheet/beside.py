"""Two things side by side, letter by letter, as one picture: two scrolls or hands, or two sides.

Of every letter that both have, the most usual ones of each side are shown bare and at one scale;
with them how many of its letters are crowned. Nothing is said of what a difference means.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from statistics import median
from typing import NamedTuple
from urllib.parse import urlencode

from crownlet.datasets.files.errors import CrownletError
from crownlet.datasets.scribal.alphabet import BY_CHAR, LETTERS
from crownlet.infer.records import GlyphRecord
from crownlet.infer.routing.judgement import crown_of
from crownlet.infer.run.run import Run, StoredScroll
from crownlet.infer.sheet.loading import load_pages
from crownlet.infer.sheet.page import SheetPage
from crownlet.infer.sheet.pictures import EmbeddedPicture, cut_window
from crownlet.infer.sheet.render import render
from crownlet.infer.view.language import isolate, translate
from crownlet.infer.view.wording import latin_name

BESIDE_FILE = "beside.html"

CROPS_PER_SIDE = 2

CROP_PX, GAP_PX, SIDE_GAP_PX, LABEL_PX, HEAD_PX = 120, 6, 18, 132, 96
"""Side of a crop, space between two, and between the two sides, width of a letter's label and
height of the head, px."""

BLOCKS = 2
"""Columns of letters in the picture."""

SIZE_Q, KULMUS_PX = 6.4, (18.75, 18.75)
"""Side of a crop in q, and the width of the pen in it, px: the same in all of them."""

MIN_LETTER_P = 0.8
"""Least probability of the reading of a letter that is shown."""

SIDES = ("face", "reverse")


class BesideError(CrownletError, ValueError):
    """A side that is not in the run; the message is a sentence."""


@dataclass(frozen=True)
class BesideSide:
    """One of the two things."""

    scroll: StoredScroll
    side: str
    """`face` or `reverse`; "" for all pages."""

    @property
    def name(self) -> str:
        """Its name as it is given in a command or an address."""
        return f"{self.scroll.name}:{self.side}" if self.side else self.scroll.name

    @property
    def words(self) -> str:
        """Its name as it stands over the picture."""
        return (
            f"{isolate(self.scroll.name)}, {translate(self.side)}"
            if self.side
            else self.scroll.name
        )


class BesideCrop(NamedTuple):
    """One letter in the picture; x and y in px."""

    picture: EmbeddedPicture
    x: int
    y: int


@dataclass(frozen=True)
class BesideRow:
    """One letter of the alphabet."""

    letter: str
    name: str
    x: int
    y: int
    crops: tuple[BesideCrop, ...]
    counts: tuple[str, str]
    """Letters on each side, and how many of them are crowned."""


@dataclass(frozen=True)
class BesideView:
    """The picture, ready for its template."""

    left: BesideSide
    right: BesideSide
    rows: tuple[BesideRow, ...]
    width: int
    height: int
    shows_names: bool

    @property
    def heads(self) -> tuple[tuple[str, int], ...]:
        """Names over the crops with their places in px."""
        block = _block_px()
        return tuple(
            (each.words, block * number + LABEL_PX + k * (_side_px() + SIDE_GAP_PX))
            for number in range(BLOCKS)
            for k, each in enumerate((self.left, self.right))
        )


def parse_side(run: Run, text: str) -> BesideSide:
    """A scroll's name, or `NAME:face` or `NAME:reverse`; BesideError where there is none."""
    known = {scroll.name: scroll for scroll in run.scrolls}
    name, _, side = text.rpartition(":")
    if text in known or side not in SIDES:
        name, side = text, ""
    if name not in known:
        near = get_close_matches(name, known, 1)
        hint = (
            f"did you mean {near[0]!r}?" if near else f"there are {', '.join(sorted(known)[:12])}"
        )
        raise BesideError(f"no scroll is called {name!r}; {hint}")
    made = BesideSide(known[name], side)
    if side and not _page_names(made):
        raise BesideError(f"{name!r} has no {side}.")
    return made


def view_beside(
    run: Run, left: BesideSide, right: BesideSide, show_names: bool = False
) -> BesideView:
    """The picture of two sides; PageError if a picture has moved."""
    columns = [_letters_of(run, side, show_names) for side in (left, right)]
    shown = [char for char in LETTERS if all(column.get(char) for column in columns)]
    per_block = max(1, -(-len(shown) // BLOCKS))
    block = _block_px()
    rows = []
    for number, char in enumerate(shown):
        x, y = block * (number // per_block), HEAD_PX + (number % per_block) * (CROP_PX + GAP_PX)
        crops = [
            BesideCrop(
                _cut(page, letter), x + LABEL_PX + k * (_side_px() + SIDE_GAP_PX)
                + at * (CROP_PX + GAP_PX), y,
            )
            for k, column in enumerate(columns)
            for at, (page, letter) in enumerate(usual_letters(column[char]))
        ]  # fmt: skip
        counts = (_counts(char, columns[0][char]), _counts(char, columns[1][char]))
        rows.append(BesideRow(char, latin_name(char), x, y, tuple(crops), counts))
    blocks = BLOCKS if len(shown) > per_block else 1
    height = HEAD_PX + min(per_block, max(len(shown), 1)) * (CROP_PX + GAP_PX)
    return BesideView(left, right, tuple(rows), block * blocks, height, show_names)


def usual_letters(
    letters: Sequence[tuple[SheetPage, GlyphRecord]], count: int = CROPS_PER_SIDE
) -> list[tuple[SheetPage, GlyphRecord]]:
    """Those whose width in pens is nearest the median of their form, in reading order."""
    usual = median(_width_q(letter) for _, letter in letters)
    order = sorted(range(len(letters)), key=lambda k: abs(_width_q(letters[k][1]) - usual))
    return [letters[k] for k in sorted(order[:count])]


def render_beside(
    run: Run, left: BesideSide, right: BesideSide, show_names: bool = False, *, chosen: bool = False
) -> str:
    """The picture as an HTML page; with `chosen`, with links by which others are chosen."""
    view = view_beside(run, left, right, show_names)
    choices = _choices(run, left, right) if chosen else ()
    return render("beside.html", v=view, choices=choices)


def render_beside_picture(view: BesideView) -> str:
    """The picture alone, as an SVG file with everything in it."""
    return render("beside_picture.html", v=view)


def beside_address(left: str, right: str) -> str:
    """The query of the page of two sides."""
    return f"?{urlencode({'left': left, 'right': right})}"


def first_pair(run: Run) -> tuple[BesideSide, BesideSide]:
    """What is shown before anything is chosen: face and reverse of a scroll, else two scrolls."""
    for scroll in run.scrolls:
        if scroll.faces and scroll.reverses:
            return BesideSide(scroll, "face"), BesideSide(scroll, "reverse")
    first, *others = run.scrolls
    return BesideSide(first, ""), BesideSide(others[0] if others else first, "")


def _choices(
    run: Run, left: BesideSide, right: BesideSide
) -> list[tuple[str, list[tuple[str, str, bool]]]]:
    """For each of the two, words, address and whether it is chosen of all that there are."""
    every = [
        BesideSide(scroll, side)
        for scroll in run.scrolls
        for side in ("", *SIDES)
        if not side or (scroll.faces and scroll.reverses)
    ]
    return [
        (
            translate("On the left"),
            [(s.words, beside_address(s.name, right.name), s.name == left.name) for s in every],
        ),
        (
            translate("On the right"),
            [(s.words, beside_address(left.name, s.name), s.name == right.name) for s in every],
        ),
    ]


def _page_names(side: BesideSide) -> tuple[str, ...]:
    scroll = side.scroll
    return {"face": scroll.faces, "reverse": scroll.reverses}.get(side.side, scroll.pages)


def _letters_of(
    run: Run, side: BesideSide, show_names: bool
) -> dict[str, list[tuple[SheetPage, GlyphRecord]]]:
    """Letters that may be shown, by form."""
    wanted = set(_page_names(side))
    table: dict[str, list[tuple[SheetPage, GlyphRecord]]] = {}
    for page in load_pages(run, side.scroll, show_names):
        width, height = page.veiled.size
        for letter in page.veiled.record.glyphs if page.name in wanted else ():
            x0, y0, x1, y1 = letter.box
            inside = min(x0, y0) > 2 and x1 < width - 2 and y1 < height - 2
            read = letter.letter_p >= MIN_LETTER_P and letter.expected in (None, letter.letter)
            if inside and read and letter.glyph not in page.veiled.names:
                table.setdefault(letter.letter, []).append((page, letter))
    return table


def _counts(char: str, letters: Iterable[tuple[SheetPage, GlyphRecord]]) -> str:
    """How many there are, and of forms that have a crown how many are crowned."""
    crowns = [crown_of(letter, page.veiled.record.unresolved) for page, letter in letters]
    judged = [crown for crown in crowns if crown in ("full", "part", "none")]
    if not BY_CHAR[char].crown or not judged:
        return f"{len(crowns)}"
    return f"{len(crowns)}, crown {sum(c != 'none' for c in judged)} of {len(judged)}"


def _cut(page: SheetPage, letter: GlyphRecord) -> EmbeddedPicture:
    window = cut_window(
        page.veiled, letter.box, (SIZE_Q, SIZE_Q), letter.q, letter.rotation, (letter,), (),
        KULMUS_PX,
    )  # fmt: skip
    return window.picture


def _width_q(letter: GlyphRecord) -> float:
    sides = letter.box[2] - letter.box[0], letter.box[3] - letter.box[1]
    return sides[round(letter.rotation / 90) % 2] / max(letter.q, 1.0)


def _block_px() -> int:
    return LABEL_PX + 2 * (_side_px() + SIDE_GAP_PX)


def _side_px() -> int:
    return CROPS_PER_SIDE * CROP_PX + (CROPS_PER_SIDE - 1) * GAP_PX


def read_pair(run: Run, query: Mapping[str, str]) -> tuple[BesideSide, BesideSide]:
    """The two sides of an address; BesideError where one is not in the run."""
    first, second = first_pair(run)
    left, right = query.get("left", ""), query.get("right", "")
    return (
        parse_side(run, left) if left else first, parse_side(run, right) if right else second,
    )  # fmt: skip

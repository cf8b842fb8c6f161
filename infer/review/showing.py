"""What the page shows of one item: before the decision, and after it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from markupsafe import Markup

from crownlet.datasets.alphabet import BY_CHAR
from crownlet.infer.measuring import Measurement
from crownlet.infer.records import GapRecord, GlyphRecord, Route
from crownlet.infer.review.context import Context, context_of
from crownlet.infer.review.forms import FORMS, Cut, affine_of, quarters
from crownlet.infer.review.questions import question

if TYPE_CHECKING:
    from crownlet.infer.review.store import Item
    from crownlet.infer.run import Run

ROUTES: dict[Route, str] = {
    "clear": "It saw nothing to look at here.",
    "review": "It was in doubt and sent this place to review.",
    "finding": "It listed this place as a finding.",
}
SAYS = {"there": "speaks for it", "not_there": "speaks against it", "unclear": "leaves it open"}


@dataclass(frozen=True)
class Shown:
    """One item as the page puts it to the examiner."""

    item: Item
    question: str
    letter: str
    """Latin name of the letter; "" where the question is about no single letter."""
    context: Context | None
    word: Word | None
    """What the program and the measure say; None while the decision is to be made blind."""


@dataclass(frozen=True)
class Word:
    """What is hidden until the decision."""

    scroll: str
    source: str | None
    page: str
    place: str
    network: tuple[str, ...]
    measures: tuple[str, ...]


def shown(item: Item, run: Run, *, blind: bool) -> Shown:
    """Everything the page shows of an item; without the program's word while `blind`."""
    record = run.pages[item.page].record
    glyph = record.glyphs[item.glyphs[0] - 1] if item.glyphs else None
    context = context_of(item, record)
    if blind and context is not None and not context.expected:
        # What the program read is its opinion too.
        context = Context((), False, context.in_name, context.line)
    return Shown(
        item=item,
        question=question(
            item.kind,
            item.letter or "",
            glyph.expected if glyph else None,
            glyph.tags_expected if glyph else None,
        ),
        letter=BY_CHAR[item.letter].name if item.letter in BY_CHAR else "",
        context=context,
        word=None if blind else word_on(item, run),
    )


def word_on(item: Item, run: Run) -> Word:
    """What the program and the measure say of an item, and where it stands."""
    record, scroll = run.pages[item.page].record, run.scroll_of(item.page)
    glyph = record.glyphs[item.glyphs[0] - 1] if item.glyphs else None
    where = f"line {glyph.line}, word {glyph.word}, letter {glyph.place}" if glyph else ""
    return Word(
        scroll=scroll.name,
        source=scroll.source,
        page=item.page,
        place=where,
        network=tuple(_network(item, glyph, _gap(item, record.gaps))),
        measures=tuple(measure_words(m) for m in measures_of(item, run)),
    )


def _gap(item: Item, gaps: tuple[GapRecord, ...]) -> GapRecord | None:
    pair = set(item.glyphs)
    return next((gap for gap in gaps if {gap.right_glyph, gap.left_glyph} == pair), None)


def _network(item: Item, glyph: GlyphRecord | None, gap: GapRecord | None) -> list[str]:
    p: float | None = None
    if gap is not None and len(item.glyphs) == 2:
        p = getattr(gap, f"p_{item.kind}", None)
    elif glyph is not None:
        p = glyph.p.get(item.kind)
    told = [] if p is None else [f"It gives {chances(p)} that it is so."]
    seen = gap if gap is not None and len(item.glyphs) == 2 else glyph
    if seen is not None:
        told.append(ROUTES[seen.route])
    if glyph is not None and len(item.glyphs) == 1:
        name = BY_CHAR[glyph.letter].name
        told.append(f"It read the letter as {name} ({chances(glyph.letter_p)}).")
    return told


def chances(p: float) -> str:
    """A probability as an examiner says it: chances in a hundred."""
    if p < 0.005:
        return "less than 1 chance in 100"
    if p > 0.995:
        return "more than 99 chances in 100"
    return f"{round(p * 100)} chance{'' if round(p * 100) == 1 else 's'} in 100"


def measures_of(item: Item, run: Run) -> tuple[Measurement, ...]:
    """The measurements of an item's letters that bear on its doubt."""
    return tuple(
        m for m in run.pages[item.page].measurements if m.glyph in item.glyphs and m.of == item.kind
    )


def measure_words(m: Measurement) -> str:
    """A measurement in words."""
    mm = "" if m.mm is None else f" ({m.mm:.2f} mm)"
    return f"{m.name.replace('_', ' ')}: {m.q:.2f} kulmus{mm}; {SAYS.get(m.says, m.says)}"


def picture_marks(item: Item, run: Run, cut: Cut, *, rulers: bool) -> Markup:
    """SVG over a picture: the letter's corners and, unless blind, the rulers of its measures."""
    width, height = FORMS[cut].size
    affine, turns = affine_of(item, run, cut), quarters(item, run)
    lying = (height, width) if turns % 2 else (width, height)
    x0, y0, x1, y1 = affine.box(item.box)
    inner = _bracket(x0 - 9, y0 - 9, x1 + 9, y1 + 9)
    measures = measures_of(item, run) if rulers else ()
    if measures:
        from crownlet.infer.measuring.drawing import overlay

        inner += overlay(affine, lying, measures)
    turn = (
        f"translate({width / 2:g} {height / 2:g}) rotate({-90 * turns}) "
        f"translate({-lying[0] / 2:g} {-lying[1] / 2:g})"
    )
    # Numbers of our own only: nothing here comes from a file's text.
    return Markup(f'<g transform="{turn}">{inner}</g>')


def _bracket(x0: float, y0: float, x1: float, y1: float) -> str:
    arm = min(26.0, (x1 - x0) / 3, (y1 - y0) / 3)
    path = "".join(
        f"M{x + dx:.1f} {y:.1f}H{x:.1f}V{y + dy:.1f}"
        for x, dx in ((x0, arm), (x1, -arm))
        for y, dy in ((y0, arm), (y1, -arm))
    )
    return f'<path class="halo" d="{path}"/><path class="mark" d="{path}"/>'

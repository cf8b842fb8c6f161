"""What the page shows of one item: before the decision, and after it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from crownlet.datasets.alphabet import BY_CHAR
from crownlet.infer.measuring import Measurement
from crownlet.infer.plain import said
from crownlet.infer.records import GapRecord, GlyphRecord, Route
from crownlet.infer.review.context import Context, context_of
from crownlet.infer.review.questions import question
from crownlet.infer.review.queue import PAIR

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
        network=(*_network(item, glyph, _gap(item, record.gaps)), *_besides(item, run)),
        measures=tuple(measure_words(m) for m in measures_of(item, run)),
    )


def _besides(item: Item, run: Run) -> tuple[str, ...]:
    """What else is said of the same place."""
    kinds = [
        said(kind)
        for finding in run.pages[item.page].findings
        if item.glyphs and finding.glyphs == item.glyphs
        for kind in (finding.kind, *finding.others)
        if kind != item.kind
    ]
    return (f"It also says of this place: {', '.join(kinds)}.",) if kinds else ()


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
    """The measurements of an item's letters that bear on its doubt; none of a line or a page."""
    if len(item.glyphs) > PAIR:
        return ()
    return tuple(
        m for m in run.pages[item.page].measurements if m.glyph in item.glyphs and m.of == item.kind
    )


def measure_words(m: Measurement) -> str:
    """A measurement in words."""
    mm = "" if m.mm is None else f" ({m.mm:.2f} mm)"
    return f"{m.name.replace('_', ' ')}: {m.q:.2f} kulmus{mm}; {SAYS.get(m.says, m.says)}"

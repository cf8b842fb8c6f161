"""One finding as the sheet shows it: pictures at one scale, words, sources, decisions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from crownlet.infer.findings.finding import Finding
from crownlet.infer.records import Box, GlyphRecord, Measurement
from crownlet.infer.sheet.decisions import DecisionState, ShownDecision, state_of
from crownlet.infer.sheet.drawings import LetterDrawing, read_drawing
from crownlet.infer.sheet.page import SheetPage, extent_q
from crownlet.infer.sheet.pictures import KULMUS_PX, PictureWindow, cut_window
from crownlet.infer.sheet.veil import SpelledPlace, spell_place
from crownlet.infer.sheet.wellformed import (
    CleanLetterFinder,
    ExampleLetters,
    has_crowns_of_drawing,
)
from crownlet.infer.sheet.wording import (
    finding_title,
    is_disagreement,
    measurement_lines,
    network_words,
)
from crownlet.infer.view.language import translate
from crownlet.infer.view.lengths import label_length, shown_measures
from crownlet.infer.view.rulers import VIEW_BODY_PX, draw_rulers
from crownlet.infer.view.wording import latin_name

MIN_WINDOW_Q = (6.0, 6.0)
"""Least width and height in q of the windows."""

LETTER_MARGIN_Q = 0.8
"""q of margin around a letter."""

MAX_LETTER_WIDTH_Q = 24.0
"""q beyond which a stretched letter is not shown in full."""

CLOSE_KULMUS_PX = (28.0, 44.0)
"""Least and greatest width of the pen in the closer pictures, px."""

MIN_CONTEXT_HEIGHT_Q = 7.6
"""Least height in q of the window that shows a place among its neighbours."""

CONTEXT_OVER_CLOSER = 1.25
"""Least height of the window among neighbours over that of the closer one."""

ROW_ASPECT = 5.5
"""Width over height of a row of pictures: on A4 it is 32 mm high."""

CONTEXT_ASPECTS = (2.0, 4.0)
"""Least and greatest width over height of the picture of a place among its neighbours."""

MAX_CLOSER_ASPECT = 1.6
"""Width over height from which a closer picture shows no more than the one among neighbours."""

_FIGURE_HEIGHT_SHARE = 0.085
"""Height of the figures as a share of the picture's shorter side."""


@dataclass(frozen=True)
class CleanExample:
    """A well-formed letter of the scroll, its box in px of its window."""

    window: PictureWindow
    box: Box
    at: str
    like_drawing: bool = True
    """Whether it has the crowns of the drawing beside it."""

    @property
    def words(self) -> str:
        """What it is called: well formed only where the drawing beside it agrees."""
        return translate("Well formed" if self.like_drawing else "For comparison")


@dataclass(frozen=True)
class DrawnExample:
    """A drawing of this program, with the letter's name."""

    drawing: LetterDrawing
    name: str


@dataclass(frozen=True)
class Comparison:
    """A finding beside a clean example and a drawing, all windows `size_q` (width, height in q)."""

    size_q: tuple[float, float]
    close: PictureWindow
    box: Box
    """The place itself in px of `close`."""
    rulers: str
    """Measures drawn on `close`, a fragment of SVG; empty without any."""
    clean: CleanExample | None
    drawn: DrawnExample | None

    @property
    def shape(self) -> float:
        """Width over height."""
        return self.size_q[0] / self.size_q[1]


@dataclass(frozen=True)
class FindingBeside:
    """Another finding of the same place, without pictures of its own."""

    label: str
    anchor: str
    title: str
    decisions: tuple[ShownDecision, ...]


@dataclass(frozen=True)
class Entry:
    """Everything that the sheet shows of one finding."""

    label: str
    anchor: str
    finding: Finding
    title: str
    where: str
    line: SpelledPlace
    seen: PictureWindow | None
    """The place among its neighbours; None for a finding of the whole page."""
    frame: Box | None
    """The place itself in px of `seen`."""
    comparison: Comparison | None
    network: str
    measured: tuple[str, ...]
    disagreement: bool
    also_seen: tuple[str, ...] = ()
    """The other claims on the place that are seen."""
    also_doubted: tuple[str, ...] = ()
    """The other claims on the place that are in doubt."""
    decisions: tuple[ShownDecision, ...] = ()
    beside: tuple[FindingBeside, ...] = ()
    """The other findings of the place, as one blot leaves them."""

    @property
    def state(self) -> DecisionState:
        """What readers made of it."""
        return state_of(self.decisions)

    @property
    def closer(self) -> bool:
        """Whether a closer picture shows more than the one among neighbours."""
        return self.comparison is not None and _is_closer_useful(self.comparison)


def rulers_svg(
    window: PictureWindow, q: float, measurements: Sequence[Measurement], box: Box
) -> str:
    """A fragment of SVG in px of the window, empty without measures; `q` in px of the page.

    The rulers lie outside `box`, that of the letter in px of the window.

    Rulers are drawn for bodies of `VIEW_BODY_PX` px and enlarged with the picture; the lengths
    stand in the lower left corner, where they hide no ink.
    """
    if not measurements:
        return ""
    # In px of the picture as seen: on a turned page the rulers turn and the figures stay upright.
    seen = [
        replace(m, start=window.point(*m.start), end=window.point(*m.end)) for m in measurements
    ]
    grow = 3 * q * window.affine.scale / VIEW_BODY_PX
    size = round(window.picture.width / grow), round(window.picture.height / grow)
    drawn = draw_rulers((1 / grow, 0.0, 0.0), size, seen, around=box, lettered=False)
    return f'<g transform="scale({grow:.4f})">{drawn}</g>{_lengths_svg(window, measurements)}'


def _lengths_svg(window: PictureWindow, measurements: Sequence[Measurement]) -> str:
    high = _FIGURE_HEIGHT_SHARE * min(window.picture.width, window.picture.height)
    foot = window.picture.height - 0.4 * high
    return "".join(
        f'<text class="length" x="{0.4 * high:.1f}" y="{foot - k * 1.15 * high:.1f}" '
        f'font-size="{high:.1f}" stroke-width="{0.28 * high:.1f}">{label_length(m.q, m.mm)}</text>'
        for k, m in enumerate(reversed(measurements))
    )


def compare_with_clean(
    page: SheetPage,
    finding: Finding,
    finder: CleanLetterFinder,
    q_px: tuple[float, float] = CLOSE_KULMUS_PX,
) -> Comparison | None:
    """The pictures of a finding side by side; None for a finding of the whole page.

    `q_px` are the least and the greatest width of the pen in the pictures, px.
    """
    if finding.scope == "page":
        return None
    char = finding.expected or finding.letter or ""
    drawn = (
        DrawnExample(read_drawing(char, page.customs), latin_name(char)) if len(char) == 1 else None
    )
    example = _find_example(page, finding, finder)
    size = _window_size(page, finding, example, drawn)
    close = page.window(finding, size, q_px)
    return Comparison(
        size_q=size, close=close, box=close.box(finding.box),
        rulers=rulers_svg(
            close, page.pen(page.letters(finding))[0], shown_measures(finding.measurements),
            close.box(finding.box),
        ),
        clean=_clean_example(page, example, size, q_px) if example else None, drawn=drawn,
    )  # fmt: skip


def _find_example(
    page: SheetPage, finding: Finding, finder: CleanLetterFinder
) -> ExampleLetters | None:
    if finding.scope == "gap":
        pair = "".join(glyph.letter for glyph in page.letters(finding))
        return finder.find_gap(pair, finding.kind, page.veiled)
    char = finding.expected or finding.letter or ""
    return finder.find_letter(char, finding.kind, page.veiled) if len(char) == 1 else None


def _window_size(
    page: SheetPage, finding: Finding, example: ExampleLetters | None, drawn: DrawnExample | None
) -> tuple[float, float]:
    """Width and height in q that hold the finding, the example and the drawing."""
    extents = [page.extent(finding)]
    if example:
        first = example.letters[0]
        extents.append(extent_q(example.box, first.q, first.rotation))
    if drawn:
        extents.append(extent_q(drawn.drawing.box, 100.0, 0.0))
    wide = max(MIN_WINDOW_Q[0], *(across + 2 * LETTER_MARGIN_Q for across, _ in extents))
    high = max(MIN_WINDOW_Q[1], *(down + 2 * LETTER_MARGIN_Q for _, down in extents))
    return min(wide, MAX_LETTER_WIDTH_Q), high


def _clean_example(
    page: SheetPage, example: ExampleLetters, size: tuple[float, float], q_px: tuple[float, float]
) -> CleanExample:
    first = example.letters[0]
    at = translate(
        "line {n}" if example.page is page.veiled else "on the other side, line {n}", n=first.line
    )
    seen = cut_window(
        example.page, example.box, size, first.q, first.rotation, example.letters, (), q_px
    )
    like = all(has_crowns_of_drawing(letter, page.customs) for letter in example.letters)
    return CleanExample(seen, seen.box(example.box), at, like)


def make_entry(
    page: SheetPage, finding: Finding, finder: CleanLetterFinder, beside: Sequence[Finding] = ()
) -> Entry:
    """The entry of one finding, and of those `beside` it in the same place."""
    letters = page.letters(finding)
    comparison = compare_with_clean(page, finding, finder)
    seen = _context_window(page, finding, comparison)
    seen_kinds = page.seen_claims(finding)
    line = spell_place(page.lines.get(finding.line, []), set(finding.glyphs), page.veiled.names)
    return Entry(
        label=page.label(finding), anchor=page.anchor(finding), finding=finding,
        title=finding_title(finding), where=place_words(page, finding, letters, line), line=line,
        seen=seen, frame=seen.box(finding.box) if seen else None,
        comparison=comparison, network=network_words(finding),
        measured=measurement_lines(
            finding.measurements, letters[0].tags_seen if len(letters) == 1 else None
        ),
        disagreement=is_disagreement(finding),
        also_seen=tuple(kind for kind in finding.others if kind in seen_kinds),
        also_doubted=tuple(kind for kind in finding.others if kind not in seen_kinds),
        decisions=page.decided.get(finding.number, ()),
        beside=tuple(
            FindingBeside(
                page.label(other), page.anchor(other), finding_title(other),
                page.decided.get(other.number, ()),
            )
            for other in beside
        ),
    )  # fmt: skip


def place_words(
    page: SheetPage, finding: Finding, letters: Sequence[GlyphRecord], line: SpelledPlace
) -> str:
    """Where a finding stands, as an examiner counts: words from the beginning of the line."""
    if not finding.line:
        return translate("{side}, whole page", side=page.side)
    place = [page.side, translate("line {n}", n=finding.line)]
    if line.word:
        place.append(translate("word {n}", n=line.word))
    if finding.scope == "glyph" and letters:
        place.append(translate("letter {n}", n=letters[0].place))
    return ", ".join(place)


def _is_closer_useful(comparison: Comparison) -> bool:
    return comparison.shape < MAX_CLOSER_ASPECT or bool(comparison.rulers)


def _context_window(
    page: SheetPage, finding: Finding, comparison: Comparison | None
) -> PictureWindow | None:
    """The place among its neighbours, so wide that the row of pictures is `ROW_ASPECT` wide."""
    if comparison is None:
        return None
    across, down = page.extent(finding)
    beside = _is_closer_useful(comparison) + bool(comparison.clean) + bool(comparison.drawn)
    # All pictures of a row are equally high: what is closer shows less of the page.
    high = max(MIN_CONTEXT_HEIGHT_Q, down + 2, CONTEXT_OVER_CLOSER * comparison.size_q[1])
    shape = min(max(ROW_ASPECT - beside * comparison.shape, CONTEXT_ASPECTS[0]), CONTEXT_ASPECTS[1])
    wide = max(high * shape, across + 4)
    return page.window(finding, (wide, high), KULMUS_PX)

"""One finding as the sheet shows it: pictures at one scale, words, sources, decisions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from crownlet.infer.findings.finding import Finding
from crownlet.infer.records import Box, GlyphRecord, Measurement
from crownlet.infer.sheet import wording as words
from crownlet.infer.sheet.decisions import Decided
from crownlet.infer.sheet.page import Page, extent
from crownlet.infer.sheet.pictures import Q_PX as Q_PX_
from crownlet.infer.sheet.pictures import Window, window
from crownlet.infer.sheet.veil import Spelled, spelled
from crownlet.infer.sheet.wellformed import Drawing, Example, WellFormed, drawing
from crownlet.infer.view.rulers import BODY, overlay
from crownlet.infer.view.wording import latin

_LETTERS = 0.085
"""Height of the figures against the picture's width."""


def rulers(window: Window, q: float, measurements: Sequence[Measurement]) -> str:
    """A fragment of SVG in px of the window, empty without measures; `q` in px of the page.

    Rulers are drawn for bodies of `BODY` px and enlarged with the picture; lengths stand in the
    corner below, where they hide no ink.
    """
    if not measurements:
        return ""
    # As seen: a turned page has turned rulers, upright figures.
    seen = [
        replace(m, start=window.point(*m.start), end=window.point(*m.end)) for m in measurements
    ]
    grow = 3 * q * window.affine.scale / BODY
    size = round(window.picture.width / grow), round(window.picture.height / grow)
    drawn = overlay((1 / grow, 0.0, 0.0), size, seen, lettered=False)
    return f'<g transform="scale({grow:.4f})">{drawn}</g>{_lengths(window, measurements)}'


def _lengths(window: Window, measurements: Sequence[Measurement]) -> str:
    high = _LETTERS * min(window.picture.width, window.picture.height)
    foot = window.picture.height - 0.4 * high
    return "".join(
        f'<text class="length" x="{0.4 * high:.1f}" y="{foot - k * 1.15 * high:.1f}" '
        f'font-size="{high:.1f}" stroke-width="{0.28 * high:.1f}">{words.length(m.q)}</text>'
        for k, m in enumerate(reversed(measurements))
    )


NARROW = (6.0, 6.0)
"""Least width and height in q of the windows."""

MARGIN = 0.8
"""q of white kept about a letter."""

WIDEST = 24.0
"""q beyond which a stretched letter is not shown whole."""

Q_PX = (28.0, 44.0)


@dataclass(frozen=True)
class Well:
    """A well-formed letter of the scroll, its box in px of its window."""

    window: Window
    box: Box
    at: str


@dataclass(frozen=True)
class Drawn:
    """Our drawing, with the letter's name."""

    drawing: Drawing
    name: str


@dataclass(frozen=True)
class Compared:
    """What was found beside what is well formed, all windows `size_q` (width, height in q)."""

    size_q: tuple[float, float]
    close: Window
    box: Box
    """The place itself in px of `close`."""
    rulers: str
    """Measures drawn on `close`, a fragment of SVG; empty without any."""
    well: Well | None
    drawn: Drawn | None

    @property
    def shape(self) -> float:
        """Width over height."""
        return self.size_q[0] / self.size_q[1]


def compare(
    page: Page, finding: Finding, well: WellFormed, q_px: tuple[float, float] = Q_PX
) -> Compared | None:
    """A kulmus is between `q_px` wide. None for a finding of the whole page."""
    if finding.scope == "page":
        return None
    char = finding.expected or finding.letter or ""
    drawn = Drawn(drawing(char, page.customs), latin(char)) if len(char) == 1 else None
    example = _example(page, finding, well)
    size = _size(page, finding, example, drawn)
    close = page.window(finding, size, q_px)
    return Compared(
        size_q=size, close=close, box=close.box(finding.box),
        rulers=rulers(close, page.pen(page.letters(finding))[0], finding.measurements),
        well=_well(page, example, size, q_px) if example else None, drawn=drawn,
    )  # fmt: skip


def _example(page: Page, finding: Finding, well: WellFormed) -> Example | None:
    if finding.scope == "gap":
        pair = "".join(glyph.letter for glyph in page.letters(finding))
        return well.white(pair, finding.kind, page.veiled)
    char = finding.expected or finding.letter or ""
    return well.letter(char, finding.kind, page.veiled) if len(char) == 1 else None


def _size(
    page: Page, finding: Finding, example: Example | None, drawn: Drawn | None
) -> tuple[float, float]:
    """Width and height in q that hold the finding, the example and the drawing."""
    extents = [page.extent(finding)]
    if example:
        first = example.letters[0]
        extents.append(extent(example.box, first.q, first.body[3]))
    if drawn:
        extents.append(extent(drawn.drawing.box, 100.0, 0.0))
    wide = max(NARROW[0], *(across + 2 * MARGIN for across, _ in extents))
    high = max(NARROW[1], *(down + 2 * MARGIN for _, down in extents))
    return min(wide, WIDEST), high


def _well(
    page: Page, example: Example, size: tuple[float, float], q_px: tuple[float, float]
) -> Well:
    first = example.letters[0]
    elsewhere = "" if example.page is page.veiled else "on the other side, "
    seen = window(
        example.page, example.box, size, first.q, first.body[3], example.letters, (), q_px
    )
    return Well(seen, seen.box(example.box), f"{elsewhere}line {first.line}")


HIGH = 7.6
"""Least height in q of the window that shows a place among its neighbours."""

ROW = 5.5
"""Width over height of a row of pictures: on A4 it is 32 mm high."""

SHAPES = (2.0, 4.0)
"""Width over height of the picture of a place among its neighbours."""

FLAT = 1.6
"""Width over height from which a closer picture shows no more than the one among neighbours."""


@dataclass(frozen=True)
class Entry:
    """Everything about one finding."""

    label: str
    anchor: str
    finding: Finding
    title: str
    where: str
    line: Spelled
    seen: Window | None
    """The place among its neighbours; None for a finding of the whole page."""
    frame: Box | None
    """The place itself in px of `seen`."""
    compared: Compared | None
    network: str
    measured: tuple[str, ...]
    disagree: bool
    decisions: tuple[Decided, ...] = ()

    @property
    def closer(self) -> bool:
        """Whether a closer picture is worth its room."""
        return self.compared is not None and _closer(self.compared)


def entry(page: Page, finding: Finding, well: WellFormed) -> Entry:
    """The entry of one finding."""
    letters = page.letters(finding)
    compared = compare(page, finding, well)
    seen = _seen(page, finding, compared)
    line = spelled(page.lines.get(finding.line, []), set(finding.glyphs), page.veiled.names)
    return Entry(
        label=page.label(finding), anchor=page.anchor(finding), finding=finding,
        title=words.title(finding), where=where(page, finding, letters, line), line=line,
        seen=seen, frame=seen.box(finding.box) if seen else None,
        compared=compared, network=words.network(finding),
        measured=words.measured(finding.measurements),
        disagree=words.disagree(finding), decisions=page.decided.get(finding.number, ()),
    )  # fmt: skip


def where(page: Page, finding: Finding, letters: Sequence[GlyphRecord], line: Spelled) -> str:
    """Where it stands, as an examiner counts: words from the head of the line."""
    if not finding.line:
        return f"{page.side}, whole page"
    place = [page.side, f"line {finding.line}"]
    if line.word:
        place.append(f"word {line.word}")
    if finding.scope == "glyph" and letters:
        place.append(f"letter {letters[0].place}")
    return ", ".join(place)


def _closer(compared: Compared) -> bool:
    return compared.shape < FLAT or bool(compared.rulers)


def _seen(page: Page, finding: Finding, compared: Compared | None) -> Window | None:
    """The place among its neighbours, as wide as makes the row of pictures neither high nor low."""
    if compared is None:
        return None
    across, down = page.extent(finding)
    beside = _closer(compared) + bool(compared.well) + bool(compared.drawn)
    high = max(HIGH, down + 2)
    shape = min(max(ROW - beside * compared.shape, SHAPES[0]), SHAPES[1])
    wide = max(high * shape, across + 4)
    return page.window(finding, (wide, high), Q_PX_)

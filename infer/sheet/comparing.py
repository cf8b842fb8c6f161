"""A finding beside what is well formed: in this scroll, and as we draw it, at one scale."""

from __future__ import annotations

from dataclasses import dataclass

from crownlet.infer.findings import Finding
from crownlet.infer.plain import latin
from crownlet.infer.records import Box
from crownlet.infer.sheet.drawings import Drawing, drawing
from crownlet.infer.sheet.page import Page, extent
from crownlet.infer.sheet.pictures import Window, window
from crownlet.infer.sheet.rulers import rulers
from crownlet.infer.sheet.wellformed import Example, WellFormed

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

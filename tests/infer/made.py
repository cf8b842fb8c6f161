"""Page records made by hand: from a few numbers, or from what the renderer knows of a page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from crownlet.datasets.coco.truth import LetterTruth, PageTruth
from crownlet.datasets.files.images import ImageFacts
from crownlet.datasets.scribal.catalogue import GLYPH_DEFECTS
from crownlet.infer.records import GapRecord, GlyphRecord, PageRecord, TextMatch

Q = 10.0
"""Kulmus in px of pages made by hand."""


def glyph(number: int = 1, letter: str = "ש", **changes: object) -> GlyphRecord:
    """A clear letter; every field can be changed."""
    values: dict[str, object] = {
        "glyph": number, "line": 1, "word": 1, "place": number, "letter": letter,
        "letter_p": 0.999, "expected": letter, "box": (0.0, 0.0, 30.0, 30.0),
        "body": (15.0, 0.0, 30.0, 0.0), "tags_seen": 0, "tags_expected": None,
        "p": dict.fromkeys(GLYPH_DEFECTS),
    }  # fmt: skip
    return GlyphRecord(**(values | changes))  # type: ignore[arg-type]


def flagged(
    number: int, letter: str, *reasons: str, p: float | dict[str, float] = 0.9, **changes: object
) -> GlyphRecord:
    """A letter of which something is said, surely."""
    values = {"reasons": reasons, "sure": reasons, "route": "finding",
              "p": p if isinstance(p, dict) else dict.fromkeys(reasons, p)} | changes  # fmt: skip
    return glyph(number, letter, **values)


def gap(right: int, left: int, **changes: object) -> GapRecord:
    """A gap between two words; every field can be changed."""
    values: dict[str, object] = {
        "line": 1, "right_glyph": right, "left_glyph": left, "expected": "word", "width_px": 8.0,
        "width_q": 0.8, "width_yud": 0.7, "p_words_joined": None, "p_word_parted": None,
        "p_letters_touch": None,
    }  # fmt: skip
    return GapRecord(**(values | changes))  # type: ignore[arg-type]


def record(
    glyphs: Sequence[GlyphRecord], gaps: Sequence[GapRecord] = (), match: TextMatch | None = None,
    **changes: object,
) -> PageRecord:  # fmt: skip
    """A page upright in its picture."""
    values: dict[str, object] = {
        "image": facts(2000, 2000), "turn": 0, "quality": {"yud_q": 1.1, "tilt_degrees": 0.0},
    }  # fmt: skip
    return PageRecord(
        name="page", glyphs=tuple(glyphs), gaps=tuple(gaps), match=match,
        **(values | changes),  # type: ignore[arg-type]
    )  # fmt: skip


def facts(width: int, height: int) -> ImageFacts:
    """A picture of this size, scanned at 600 dpi."""
    return ImageFacts("page.png", width, height, "L", "PNG", 600.0)


def block(
    edges: Sequence[tuple[float, float]], *, pitch: float | Sequence[float] = 6.0,
    words: int = 5, scale: Sequence[float] | None = None, **changes: object,
) -> PageRecord:  # fmt: skip
    """Lines of letters from a left to a right edge, both in q from the page's left.

    `pitch` is one distance of ruled lines in q, or one to each line from the one above; `scale` is
    the size of each line's letters.
    """
    pitches = [pitch] * len(edges) if isinstance(pitch, float) else list(pitch)
    tops = np.cumsum(pitches) * Q
    sizes = list(scale) if scale is not None else [1.0] * len(edges)
    glyphs: list[GlyphRecord] = []
    for number, ((left, right), top, size) in enumerate(zip(edges, tops, sizes, strict=True), 1):
        width = 2.6 * Q * size
        count = max(2, round((right - left) / (3.2 * size)))
        for k, x1 in enumerate(np.linspace(right * Q, left * Q + width, count)):
            box = (float(x1 - width), float(top), float(x1), float(top + 3 * Q * size))
            body = ((box[0] + box[2]) / 2, float(top), 3 * Q * size, 0.0)
            word = (number - 1) * words + k * words // count + 1
            glyphs.append(
                glyph(len(glyphs) + 1, "ר", line=number, word=word, place=1, box=box, body=body)
            )
    return record(glyphs, **changes)


def from_truth(page: PageTruth | tuple[LetterTruth, ...], **changes: object) -> PageRecord:
    """What an inspection that sees everything rightly would record of a rendered page."""
    letters = page.letters if isinstance(page, PageTruth) else page
    if isinstance(page, PageTruth):
        changes = {"image": facts(page.image.shape[1], page.image.shape[0])} | changes
    glyphs = [
        glyph(
            k, t.letter, line=t.line + 1, word=t.word + 1, place=t.place + 1, expected=t.expected,
            box=t.box, body=t.body, tags_seen=max(0, t.tags),
        )
        for k, t in enumerate(letters, start=1)
    ]  # fmt: skip
    return record(glyphs, **changes)


def turned(page: PageRecord, turn: int) -> PageRecord:
    """The same page in a picture turned clockwise by quarter turns."""
    width, height = page.image.width, page.image.height
    steps = turn // 90
    glyphs = []
    for g in page.glyphs:
        box, (x, y, size, angle) = g.box, g.body
        w, h = width, height
        for _ in range(steps):
            box = (h - box[3], box[0], h - box[1], box[2])
            x, y = h - y, x
            w, h = h, w
        glyphs.append(replace(g, box=box, body=(x, y, size, (angle + turn) % 360)))
    size_now = (height, width) if steps % 2 else (width, height)
    return replace(page, glyphs=tuple(glyphs), turn=turn, image=facts(*size_now))

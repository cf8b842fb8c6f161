"""Thin strokes that are no letters of the text: marks, which are kept and not judged as letters.

Where the text is known, a mark is a thin stroke at which the text has no letter. Where it is not, a
letter that lost its head looks the same; strokes that come again and again are then taken for
marks. Several are one statement on the page (`habits/marks.py`), a single one goes to review.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.infer.limits import limits_of
from crownlet.infer.quality.familiarity import is_thin
from crownlet.infer.records import (
    LETTER_EXTRA,
    Floats,
    GapRecord,
    GlyphRecord,
    Located,
    PageRecord,
    TextMatch,
    TextPlace,
)

_LIMITS = limits_of("routing.marks")

MIN_MARKS_OF_STATEMENT = _LIMITS.whole("min_marks_of_statement")
"""Marks from which they are one statement on the page."""

MIN_MARKS_WITHOUT_TEXT = _LIMITS.whole("min_marks_without_text")
"""Thin strokes from which they are marks where the text is unknown."""

MAX_WIDTH_SHARE_WITHOUT_TEXT = _LIMITS.number("max_width_share_without_text")
"""Share of the hand's usual width up to which a stroke may be a mark where the text is unknown: on
nine pages by scribes of the Middle Ages the narrowest vavs have 0.6."""


MIN_INK_SHARE = _LIMITS.number("min_ink_share")
"""Share of the ink of its sisters that an extra letter holds at least; with less a stroke, a hole
or a stain may stand there, and it goes to review."""

MIN_SISTERS = _LIMITS.whole("min_sisters")
"""Letters that show how much ink is usual."""

INK_GREY = _LIMITS.number("ink_grey")
"""Grey of a flattened page, whose skin has 224, below which there is ink."""


def ink_areas(flat: npt.NDArray[np.uint8], found: Located) -> Floats:
    """(N,) ink in the box of each letter of a flattened page (H, W), as full black, in square q."""
    dark = np.clip(INK_GREY - flat.astype(np.float32), 0.0, None) / INK_GREY
    total = cv2.integral(dark)
    x0, y0, x1, y1 = (
        np.clip(edge.round().astype(np.int64), 0, size)
        for edge, size in zip(found.box.T, (*flat.shape[::-1], *flat.shape[::-1]), strict=True)
    )
    area = total[y1, x1] - total[y0, x1] - total[y1, x0] + total[y0, x0]
    return np.asarray(area / found.q**2, np.float64)


def doubt_extras(record: PageRecord, ink: Floats) -> PageRecord:
    """The record with extra letters in doubt that hold little ink; `ink` (N,) is that of its
    rows."""
    usual: dict[str, list[float]] = {}
    for glyph, area in zip(record.glyphs, ink, strict=True):
        if glyph.expected == glyph.letter:
            usual.setdefault(glyph.letter, []).append(float(area))
    glyphs = tuple(
        _in_doubt(glyph)
        if LETTER_EXTRA in glyph.sure and _is_pale(float(area), usual.get(glyph.letter, []))
        else glyph
        for glyph, area in zip(record.glyphs, ink, strict=True)
    )
    return replace(record, glyphs=glyphs)


def _is_pale(area: float, sisters: Sequence[float]) -> bool:
    return len(sisters) >= MIN_SISTERS and area < MIN_INK_SHARE * float(np.median(sisters))


def _in_doubt(glyph: GlyphRecord) -> GlyphRecord:
    sure = tuple(name for name in glyph.sure if name != LETTER_EXTRA)
    return replace(glyph, sure=sure, route="finding" if sure else "review")


def set_marks_aside(record: PageRecord, stroke_share: Floats) -> PageRecord:
    """The record with marks that are not judged as letters; `stroke_share` (N,) is
    that of its rows (`stroke_shares`)."""
    known = any(glyph.expected is not None for glyph in record.glyphs)
    thin = is_thin(stroke_share) if known else stroke_share <= MAX_WIDTH_SHARE_WITHOUT_TEXT
    no_letter = "" if known else None
    marks = frozenset(
        glyph.glyph
        for glyph, stroke in zip(record.glyphs, thin, strict=True)
        if stroke and glyph.expected == no_letter
    )
    if len(marks) < (1 if known else MIN_MARKS_WITHOUT_TEXT):
        return record
    stated = len(marks) >= MIN_MARKS_OF_STATEMENT
    return replace(
        record,
        glyphs=tuple(_as_mark(g, stated=stated) if g.glyph in marks else g for g in record.glyphs),
        gaps=tuple(_beside_mark(gap, marks) for gap in record.gaps),
        match=None if record.match is None else _without_marks(record.match, marks),
    )


def _as_mark(glyph: GlyphRecord, *, stated: bool) -> GlyphRecord:
    return replace(
        glyph, p=dict.fromkeys(glyph.p), tags_expected=None, not_examined=(), sure=(),
        route="clear" if stated else "review", reasons=() if stated else (LETTER_EXTRA,),
        habits=(LETTER_EXTRA,) if stated else (),
    )  # fmt: skip


def _beside_mark(gap: GapRecord, marks: frozenset[int]) -> GapRecord:
    """A gap beside a mark is none between letters or words."""
    if not marks & {gap.right_glyph, gap.left_glyph}:
        return gap
    return replace(
        gap, p_words_joined=None, p_word_parted=None, p_letters_touch=None, route="clear",
        reasons=(), sure=(),
    )  # fmt: skip


def _without_marks(match: TextMatch, marks: frozenset[int]) -> TextMatch:
    """The comparison without extra letters that are marks.

    Of a run of which one letter is left that letter is a place of its own.
    """
    places = tuple(
        _without_marks_of_run(p, marks) for p in match.places
        if not p.glyphs or not marks.issuperset(p.glyphs)
    )  # fmt: skip
    extra = match.extra - len(marks)
    return replace(match, places=places, extra=extra)


def _without_marks_of_run(place: TextPlace, marks: frozenset[int]) -> TextPlace:
    left = tuple(number for number in place.glyphs if number not in marks)
    return replace(place, glyphs=left) if len(left) == 1 else place

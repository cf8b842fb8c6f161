"""Forms that customs choose: the large letters of Deuteronomy 6:4, and the roof of chet.

A large letter is compared with the same letters elsewhere on the page. Height is that of the ink
below the tags, so that crowns do not count; it is compared with the other ayins or dalets of the
page, by the same hand, or with its usual body where there are too few. A chet's roof is flat or a
hump by its measure `roof_end`.
"""

from __future__ import annotations

import numpy as np

from crownlet.datasets.scribal.customs import Customs
from crownlet.infer.findings.finding import Finding
from crownlet.infer.findings.page import letter_at, page_finding, portion_of
from crownlet.infer.limits import limits_of
from crownlet.infer.records import GlyphRecord, PageRecord
from crownlet.infer.view.wording import latin_name

_LIMITS = limits_of("findings.forms")

MIN_OTHERS_FOR_HEIGHT = _LIMITS.whole("min_others_for_height")
"""Other letters of the same kind from which the hand's usual height is known."""


def size_findings(record: PageRecord, customs: Customs) -> list[Finding]:
    """A finding for each letter that is large, or is not, contrary to the customs."""
    text = portion_of(record)
    if text is None or customs.large_letters == "unspecified":
        return []
    min_large_ratio = (1.0 + customs.large_letter_ratio) / 2
    found = []
    for word, place in sorted(text.large_letters):
        glyph = letter_at(record, word, place)
        if glyph is None or glyph.letter != text.words[word][place]:
            continue
        ratio = height_ratio(record, glyph)
        if (ratio >= min_large_ratio) == (customs.large_letters == "expected"):
            continue
        asked = "as the others" if ratio >= min_large_ratio else "larger"
        message = (
            f"{latin_name(glyph.letter).capitalize()}: {ratio:.2f} times as high as others of its "
        )
        message += f"kind; the customs chosen have it {asked}."
        found.append(page_finding("letter_size", (glyph,), message, customs, glyph.letter))
    return found


def height_ratio(record: PageRecord, glyph: GlyphRecord) -> float:
    """Height of a letter's ink without its tags over the usual one of this letter."""
    others = [g for g in record.glyphs if g.letter == glyph.letter and g.glyph != glyph.glyph]
    if len(others) < MIN_OTHERS_FOR_HEIGHT:
        return _height_below_line(glyph) / glyph.height
    tags = float(np.median([_box_height(g) - _height_below_line(g) for g in others]))
    usual = float(np.median([_box_height(g) for g in others])) - tags
    return (_box_height(glyph) - tags) / max(usual, 1e-6)


def _box_height(glyph: GlyphRecord) -> float:
    return glyph.box[3] - glyph.box[1]


def _height_below_line(glyph: GlyphRecord) -> float:
    """px of ink below the ruled line."""
    return glyph.box[3] - max(glyph.box[1], glyph.body[1])


CHET, CHET_MEASURE = "ח", "roof_end"


def chet_findings(record: PageRecord, customs: Customs) -> list[Finding]:
    """One finding for all chets of a page that were measured to have the other form."""
    if customs.chet_top == "unspecified":
        return []
    other, form = ("not_there", "flat") if customs.chet_top == "hump" else ("there", "with a hump")
    seen = {m.glyph: m.claim for m in record.measurements if m.name == CHET_MEASURE}
    glyphs = tuple(glyph for glyph in record.glyphs if seen.get(glyph.glyph) == other)
    if not glyphs:
        return []
    many = f"{len(glyphs)} of {len(seen)} chets"
    message = f"{many} {'is' if len(glyphs) == 1 else 'are'} {form}; the custom chosen is "
    message += f"{'a hump' if customs.chet_top == 'hump' else 'a flat roof'}."
    return [page_finding("custom_form", glyphs, message, customs, CHET)]

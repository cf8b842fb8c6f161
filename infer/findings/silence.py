"""What a letter shows and these customs accept: it is not listed."""

from __future__ import annotations

from crownlet.datasets.customs import Customs
from crownlet.infer.records import GlyphRecord, PageRecord

FINAL_KAF = "ך"


def silent(kind: str, glyph: GlyphRecord, record: PageRecord, customs: Customs) -> bool:
    """Whether the customs accept what is said of a letter.

    Unspecified accepts either of two accepted forms, so that the default lists neither.
    """
    if kind == "tag_bare":
        return customs.tag_form != "zayin"
    if kind == "corner_squared" and glyph.letter == FINAL_KAF:
        return customs.final_kaf_top != "round"
    return False

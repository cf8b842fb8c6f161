"""What a letter shows and these customs accept: it is not listed."""

from __future__ import annotations

from crownlet.datasets.customs import Customs
from crownlet.infer.findings import crowns
from crownlet.infer.records import GlyphRecord, PageRecord

FINAL_KAF, DETACHED = "ך", "הק"
YUD = 1.0
"""Length in q of a yud's body (Mishnat Sofrim, yud), which the left leg of he and kuf has at least
(Orach Chayim 32:15; Mishnah Berurah 32:38-40)."""


def silent(kind: str, glyph: GlyphRecord, record: PageRecord, customs: Customs) -> bool:
    """Whether the customs accept what is said of a letter.

    Unspecified accepts either of two accepted forms, so that the default lists neither.
    """
    if kind == "tag_bare":
        return customs.tag_form != "zayin"
    if kind == "corner_squared" and glyph.letter == FINAL_KAF:
        return customs.final_kaf_top != "round"
    if kind in ("tag_missing", "tag_excess"):
        return crowns.accepted(glyph, record, customs)
    if kind == "leg_short" and glyph.letter in DETACHED:
        return customs.leg_minimum != "strict" and of_yud_length(glyph, record)
    return False


def of_yud_length(glyph: GlyphRecord, record: PageRecord) -> bool:
    """Whether the left leg of a he or kuf was measured, and is as long as a yud.

    A right leg that is short by its own measure is another matter.
    """
    lengths = {
        m.name: m for m in record.measurements if m.glyph == glyph.glyph and m.of == "leg_short"
    }
    left, right = lengths.get("left_leg_length"), lengths.get("leg_length")
    return left is not None and left.q >= YUD and (right is None or right.says != "there")

"""What the customs accept and is therefore not listed, what they ask for and is not examined, and
the old list of crowns.

Mishneh Torah, Tefillin 2:9 and 5:3, crowns some letters otherwise than their class. Sixteen letters
in tefillin with 57 tiny zayins; the thirteen of the mezuzah have three each, which is what their
class has anyway, so the list changes nothing there. Leaving out, adding or reducing them does no
harm by the same source.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from crownlet.datasets.scribal.customs import Customs
from crownlet.infer.findings.columns import columns_of
from crownlet.infer.findings.layout import NARROWING_NOT_EXAMINED, letters_change_size
from crownlet.infer.findings.page import portion_of
from crownlet.infer.limits import limits_of
from crownlet.infer.records import GlyphRecord, PageRecord
from crownlet.infer.routing.judgement import Tally, describe_tally, tally_of

_LIMITS = limits_of("findings.customs")

WordPlace = tuple[int, int]

LISTED_TAGS: Mapping[str, Mapping[WordPlace, int]] = {
    "mezuzah": {
        (0, 0): 3, (0, 2): 3, (13, 0): 3, (45, 1): 3, (45, 2): 3, (40, 1): 3, (40, 2): 3,
        (75, 1): 3, (150, 1): 3, (150, 3): 3, (133, 1): 3, (133, 3): 3, (169, 3): 3,
    },
    "kadesh": {(131, 4): 3},
    "vehaya_ki_yeviacha": {(11, 4): 4, (60, 0): 4, (60, 3): 4, (63, 2): 4, (90, 3): 4},
    "shema": {(34, 2): 3, (35, 1): 3, (40, 1): 4, (40, 2): 4, (40, 3): 4},
    "vehaya_im_shamoa": {(26, 3): 3, (26, 4): 1, (85, 1): 4, (85, 3): 4, (85, 4): 4},
}  # fmt: skip
"""Tags by (word, place) of the text, from 0; the second portion's he's are those of "I will give",
twice of "was hard", of "he slew" and of "your hand"."""

FINAL_KAF, DETACHED_LEG_LETTERS = "ך", "הק"

YUD_BODY_Q = _LIMITS.number("yud_body_q")
"""Length in q of a yud's body (Mishnat Sofrim, yud), which the left leg of he and kuf has at least
(Orach Chayim 32:15; Mishnah Berurah 32:38-40)."""

RECORDED_ONLY: Mapping[str, str] = MappingProxyType(
    {
        "style": "style of script",
        "tsadi_yud_reversed": "which way the yud of tsadi faces",
        "chet_right_leg": "right half of chet",
        "final_mem_upper_right": "upper right of final mem",
        "pe_white_bet": "white bet inside pe",
        "tav_foot": "foot of tav",
        "inner_surround": "holes in the space inside a letter",
    }
)
"""Settings that are kept with the record and change nothing: networks and measures do not see these
forms surely enough. The upper right of a final mem was tried: by hands of the style that rounds it
and of those that do not, its radius overlaps by more than half."""

SETTINGS_NEEDING_TEXT = (
    "crown_list", "mezuzah_break", "tefillin_break", "reverse_text", "large_letters",
    "mezuzah_lines", "tefillin_lines", "verse_gap",
)  # fmt: skip
"""Settings that only a page compared with its portion can be checked for."""


def tags_by_list(glyph: GlyphRecord, record: PageRecord) -> int | None:
    """Tags that the list has on a letter; None for a letter that it does not name."""
    text = portion_of(record)
    if text is None or not glyph.expected:
        return None
    return LISTED_TAGS.get(text.name, {}).get((glyph.word - 1, glyph.place - 1))


def accepts_crown(glyph: GlyphRecord, record: PageRecord, customs: Customs) -> bool:
    """Whether the customs accept the tags seen on a listed letter, whatever its class has."""
    tags = tags_by_list(glyph, record)
    if tags is None or customs.crown_list == "no_list":
        return False
    if customs.crown_list == "rambam":
        return glyph.tags_seen == tags
    return glyph.tags_seen in (tags, glyph.tags_expected)


def missing_by_list(glyph: GlyphRecord, record: PageRecord, customs: Customs) -> str | None:
    """Kind of finding where a letter lacks the tags of the list and the customs follow it, or
    None."""
    tags = tags_by_list(glyph, record)
    if tags is None or customs.crown_list != "rambam" or glyph.tags_seen == tags:
        return None
    if "tag_missing" in glyph.not_examined or "tag_excess" in glyph.not_examined:
        return None
    return "tag_missing" if glyph.tags_seen < tags else "tag_excess"


def crowned_by_list(glyph: GlyphRecord, record: PageRecord) -> bool:
    """Whether a letter has just the tags that the list gives it."""
    return tags_by_list(glyph, record) == glyph.tags_seen


def accepted_by_customs(
    kind: str, glyph: GlyphRecord, record: PageRecord, customs: Customs
) -> bool:
    """Whether the customs accept a kind of finding on a letter.

    An unspecified setting accepts either of two accepted forms, so that the default lists neither.
    """
    if kind == "tag_bare":
        return customs.tag_form != "zayin"
    if kind == "corner_squared" and glyph.judged_as == FINAL_KAF:
        return customs.final_kaf_top != "round"
    if kind in ("tag_missing", "tag_excess"):
        return accepts_crown(glyph, record, customs)
    if kind == "leg_short" and glyph.judged_as in DETACHED_LEG_LETTERS:
        return customs.leg_minimum != "strict" and has_leg_of_yud_length(glyph, record)
    return False


def has_leg_of_yud_length(glyph: GlyphRecord, record: PageRecord) -> bool:
    """Whether the left leg of a he or kuf was measured, and is as long as a yud.

    A right leg that is short by its own measure is another matter.
    """
    lengths = {
        m.name: m for m in record.measurements if m.glyph == glyph.glyph and m.defect == "leg_short"
    }
    left, right = lengths.get("left_leg_length"), lengths.get("leg_length")
    return left is not None and left.q >= YUD_BODY_Q and (right is None or right.claim != "there")


def not_examined_by_customs(record: PageRecord, customs: Customs) -> tuple[str, ...]:
    """Sentences on what the customs ask for and the page's record lists as not examined."""
    return tuple(
        sentence
        for sentence in (
            _recorded_only(customs),
            _without_text(record, customs),
            _narrowing(record),
        )
        if sentence
    ) + _accepted_messages(record, customs)


def _is_set(customs: Customs, name: str) -> bool:
    return bool(getattr(customs, name) != "unspecified")


def _recorded_only(customs: Customs) -> str:
    names = [words for key, words in RECORDED_ONLY.items() if _is_set(customs, key)]
    return f"settings recorded but not examined: {', '.join(names)}" if names else ""


def _without_text(record: PageRecord, customs: Customs) -> str:
    names = [name for name in SETTINGS_NEEDING_TEXT if _is_set(customs, name)]
    if not names or portion_of(record) is not None:
        return ""
    return f"settings that need the page's portion by name: {', '.join(names)}"


def _narrowing(record: PageRecord) -> str:
    return (
        NARROWING_NOT_EXAMINED
        if any(letters_change_size(column) for column in columns_of(record))
        else ""
    )


def accepted_forms(record: PageRecord, customs: Customs) -> tuple[tuple[str, Tally], ...]:
    """Unspecified settings by which forms that were seen or doubted are accepted, with counts."""
    counts = (
        (name, tally_of([g for g in record.glyphs if asked(g)], kind, record.unresolved))
        for name, kind, asked in _ACCEPTED_KINDS
        if not _is_set(customs, name)
    )
    return tuple((name, count) for name, count in counts if count.seen or count.doubted)


def accepted_message(name: str, count: Tally) -> str:
    """A sentence on the letters accepted by a setting, and on the customs that list them."""
    one, many, why = _ACCEPTED_MESSAGES[name]
    return f"{describe_tally(count, one, many)}: {why}"


def _accepted_messages(record: PageRecord, customs: Customs) -> tuple[str, ...]:
    return tuple(accepted_message(name, count) for name, count in accepted_forms(record, customs))


_ACCEPTED_KINDS: tuple[tuple[str, str, Callable[[GlyphRecord], bool]], ...] = (
    ("tag_form", "tag_bare", lambda glyph: True),
    ("final_kaf_top", "corner_squared", lambda glyph: glyph.judged_as == FINAL_KAF),
)

_ACCEPTED_MESSAGES: Mapping[str, tuple[str, str, str]] = MappingProxyType(
    {
        "tag_form": (
            "letter whose crown is a bare line",
            "letters whose crowns are bare lines",
            "an accepted custom, though a tiny zayin is held to be better (Mishnah Berurah 36:12); "
            "not listed; customs with tag_form: zayin list them",
        ),
        "final_kaf_top": (
            "final kaf whose top right is square",
            "final kafs whose top right is square",
            "some accept it (Mishnat Sofrim, final kaf; Mishnah Berurah 32:73); not listed; "
            "customs with final_kaf_top: round list them",
        ),
    }
)

"""What customs ask for and is not examined, and what is seen and, by the customs, not listed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from crownlet.datasets.scribal.customs import Customs
from crownlet.infer.findings.columns import columns_of
from crownlet.infer.findings.customs import FINAL_KAF
from crownlet.infer.findings.layout import NARROWING_NOT_EXAMINED, letters_change_size
from crownlet.infer.findings.page import portion_of
from crownlet.infer.records import GlyphRecord, PageRecord
from crownlet.infer.routing.judgement import Tally, describe_tally, tally_of

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

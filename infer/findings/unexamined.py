"""What the customs ask for and nothing looks at, and what is seen and, by them, not listed."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from crownlet.datasets.customs import Customs
from crownlet.infer.findings.lines import blocks
from crownlet.infer.findings.margins import ASLANT, seen_aslant
from crownlet.infer.findings.silence import FINAL_KAF
from crownlet.infer.findings.text import text_of
from crownlet.infer.records import GlyphRecord, PageRecord

RECORDED_ONLY: Mapping[str, str] = MappingProxyType(
    {
        "style": "style of script",
        "tsadi_yud_reversed": "which way the yud of tsadi faces",
        "chet_right_leg": "right half of chet",
        "final_mem_upper_right": "upper right of final mem",
        "pe_white_bet": "white bet inside pe",
        "tav_foot": "foot of tav",
        "inner_surround": "holes in the white inside a letter",
    }
)
"""Settings that are kept with the record and change nothing: networks and measures do not see these
forms surely enough. The upper right of a final mem was tried: by hands of the style that rounds it
and of those that do not, its radius overlaps by more than half."""
OF_TEXT = (
    "crown_list", "mezuzah_break", "tefillin_break", "reverse_text", "large_letters",
    "mezuzah_lines", "tefillin_lines", "verse_gap",
)  # fmt: skip
"""Settings that only a page compared with its portion can be held against."""


def unexamined(record: PageRecord, customs: Customs) -> tuple[str, ...]:
    """Sentences for what a page's record lists as not examined."""
    return tuple(
        sentence
        for sentence in (_recorded(customs), _without_text(record, customs), _aslant(record))
        if sentence
    ) + _accepted(record, customs)


def _set(customs: Customs, name: str) -> bool:
    return getattr(customs, name) != "unspecified"


def _recorded(customs: Customs) -> str:
    names = [words for key, words in RECORDED_ONLY.items() if _set(customs, key)]
    return f"settings recorded but not examined: {', '.join(names)}" if names else ""


def _without_text(record: PageRecord, customs: Customs) -> str:
    names = [name for name in OF_TEXT if _set(customs, name)]
    if not names or text_of(record) is not None:
        return ""
    return f"settings that need the page's portion by name: {', '.join(names)}"


def _aslant(record: PageRecord) -> str:
    return ASLANT if any(seen_aslant(block) for block in blocks(record)) else ""


def _accepted(record: PageRecord, customs: Customs) -> tuple[str, ...]:
    """Forms that were seen and are accepted where a setting is left unspecified."""
    found = []
    for name, kind, words, asked in _ACCEPTED:
        if _set(customs, name):
            continue
        count = sum(kind in glyph.reasons and asked(glyph) for glyph in record.glyphs)
        if count:
            letters = "letter" if count == 1 else "letters"
            found.append(f"{words} of {count} {letters}: {name} is unspecified, so none is listed")
    return tuple(found)


_ACCEPTED: tuple[tuple[str, str, str, Callable[[GlyphRecord], bool]], ...] = (
    ("tag_form", "tag_bare", "tags without heads", lambda glyph: True),
    (
        "final_kaf_top", "corner_squared", "square tops of final kaf",
        lambda glyph: glyph.letter == FINAL_KAF,
    ),
)  # fmt: skip

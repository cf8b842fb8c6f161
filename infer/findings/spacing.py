"""Gaps between portions, verses and words, compared with what the chosen customs name.

The gap before a portion is measured in widths of this hand's yud, between the letters and the edges
which the column's full lines keep. The fourth portion of tefillin is mostly a page of its own, so
there only the head of its first line is seen. The usual gap between words is compared with that
hand's yud, which Orach Chayim 32:32 (gloss) asks for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from crownlet.datasets.scribal.customs import Customs
from crownlet.datasets.scribal.texts import verse_ends
from crownlet.infer.findings.columns import MIN_FULL_LINE_SHARE, Column, Line
from crownlet.infer.findings.finding import Finding
from crownlet.infer.findings.messages import NO_WIDTH
from crownlet.infer.findings.page import first_letter_of_word, page_finding, portion_of
from crownlet.infer.limits import limits_of
from crownlet.infer.records import GapRecord, PageRecord

_LIMITS = limits_of("findings.spacing")

MIN_NINE_YUDS = _LIMITS.number("min_nine_yuds")
"""Nine yuds, less a tenth for what a hand and its measure differ (Keset 15:1)."""

FOURTH_PORTION = "vehaya_im_shamoa"


@dataclass(frozen=True)
class PortionBreak:
    """The gap at a new portion, in widths of this hand's yud."""

    line: int
    """Line of the page, from 1, in which the portion begins."""
    end: float | None
    """Left at the end of the line before; None where that line is not in this column."""
    head: float
    """Left before the portion: from the edge, or from the letter before it in the same line."""
    at_head: bool
    """Whether the portion begins its line."""
    letters: float
    """Width of three letters of this hand, in yuds."""


def portion_break(
    record: PageRecord, columns: tuple[Column, ...], word: int
) -> PortionBreak | None:
    """The gap before the word of the text, from 0, that opens a portion; None if not seen."""
    first = first_letter_of_word(record, word)
    yud = record.quality.get("yud_q")
    found = [
        (column, k) for column in columns for k, line in enumerate(column.lines)
        if first is not None and line.number == first.line
    ]  # fmt: skip
    if first is None or not yud or not found:
        return None
    column, k = found[0]
    edges = _usual_edges(column, {line.number for line in column.lines[max(0, k - 1) : k + 1]})
    if edges is None:
        return None
    line = column.lines[k]
    unit = yud * line.q
    at = next(i for i, glyph in enumerate(line.glyphs) if glyph.glyph == first.glyph)
    wide = np.concatenate([row.ink[:, 2] - row.ink[:, 0] for row in column.lines])
    three = 3 * float(np.median(wide))
    before = column.lines[k - 1] if k else None
    end = (before.left - edges[0]) / unit if before is not None else None
    if at == 0:
        return PortionBreak(line.number, end, (edges[1] - line.right) / unit, True, three / unit)
    before_px = [gap.width_px for gap in record.gaps if gap.left_glyph == first.glyph]
    return (
        PortionBreak(line.number, end, before_px[0] / unit, False, three / unit)
        if before_px
        else None
    )


def _usual_edges(column: Column, without: set[int]) -> tuple[float, float] | None:
    """Usual left and right edge of a column's full lines, px along the writing."""
    usual = float(np.median([line.width for line in column.lines]))
    full: list[Line] = [
        line
        for line in column.lines
        if line.width >= MIN_FULL_LINE_SHARE * usual and line.number not in without
    ]
    if len(full) < 2:
        return None
    left, right = ([getattr(line, side) for line in full] for side in ("left", "right"))
    return float(np.median(left)), float(np.median(right))


def mezuzah_layouts(found: PortionBreak) -> frozenset[str]:
    """The customs of `mezuzah_break` that a layout follows."""
    end = found.end or 0.0
    ways = {
        "tur": found.at_head and end < found.letters and found.head < found.letters,
        "nine_yuds": found.at_head and found.head >= MIN_NINE_YUDS,
        "open": found.at_head and found.head < found.letters and end >= MIN_NINE_YUDS,
    }
    return frozenset(name for name, there in ways.items() if there)


def tefillin_layouts(found: PortionBreak) -> frozenset[str]:
    """The customs of `tefillin_break` that the head of the fourth portion follows."""
    third = found.letters / 3
    ways = {
        "rambam": found.head >= MIN_NINE_YUDS,
        "line_head": found.at_head and found.head < third,
        "divided": found.at_head and third <= found.head < MIN_NINE_YUDS,
    }
    return frozenset(name for name, there in ways.items() if there)


def break_findings(
    record: PageRecord, columns: tuple[Column, ...], customs: Customs
) -> list[Finding]:
    """A finding where the layout is another than the one the customs name."""
    text = portion_of(record)
    if text is None:
        return []
    custom: str
    if text.name == "mezuzah" and customs.mezuzah_break != "unspecified":
        (word,) = text.opens
        custom, ways = customs.mezuzah_break, mezuzah_layouts
    elif text.name == FOURTH_PORTION and customs.tefillin_break != "unspecified":
        word, custom, ways = 0, customs.tefillin_break, tefillin_layouts
    else:
        return []
    found = portion_break(record, columns, word)
    if found is None or custom in ways(found):
        return []
    glyphs = tuple(glyph for glyph in record.glyphs if glyph.line == found.line)
    return [page_finding("portion_break", glyphs, _break_message(found, custom), customs)]


def _break_message(found: PortionBreak, custom: str) -> str:
    where = "at the head of" if found.at_head else "within"
    message = f"Before the portion {found.head:.1f} widths of this hand's yud are left {where} "
    message += f"line {found.line}"
    if found.end is not None:
        message += f" and {max(0.0, found.end):.1f} at the end of the line above"
    return f"{message}; the custom chosen is {custom.replace('_', ' ')}."


MIN_VERSE_ENDS = _LIMITS.whole("min_verse_ends")
"""Verse ends within lines from which the hand's habit is known."""

MIN_WIDER_VERSE_GAP_RATIO = _LIMITS.number("min_wider_verse_gap_ratio")
"""Gaps between verses are wider from this many times the gap between words of the line."""


def verse_findings(record: PageRecord, customs: Customs) -> list[Finding]:
    """One finding for a page whose verses are divided otherwise than the customs have it."""
    text = portion_of(record)
    if text is None or customs.verse_gap == "unspecified":
        return []
    gaps = verse_gaps(record, verse_ends(text.name))
    if len(gaps) < MIN_VERSE_ENDS:
        return []
    ratio = float(np.median([share for _, share in gaps]))
    if (ratio >= MIN_WIDER_VERSE_GAP_RATIO) == (customs.verse_gap == "wider"):
        return []
    number = {glyph.glyph: glyph for glyph in record.glyphs}
    glyphs = tuple(number[g] for gap, _ in gaps for g in (gap.right_glyph, gap.left_glyph))
    asked = "a wider one" if customs.verse_gap == "wider" else "the same"
    message = f"Between verses the gap is {ratio:.1f} times that between words of the same line; "
    message += f"the custom chosen is {asked}."
    return [page_finding("verse_gap", glyphs, message, customs)]


def verse_gaps(record: PageRecord, ends: frozenset[int]) -> list[tuple[GapRecord, float]]:
    """The gaps after the words that end a verse, each with its ratio to its line's usual word
    gap."""
    word = {glyph.glyph: glyph.word - 1 for glyph in record.glyphs}
    verse: list[GapRecord] = []
    plain: dict[int, list[float]] = {}
    for gap in record.gaps:
        if word[gap.right_glyph] == word[gap.left_glyph]:
            continue
        if word[gap.right_glyph] in ends:
            verse.append(gap)
        else:
            plain.setdefault(gap.line, []).append(gap.width_q)
    return [
        (gap, gap.width_q / usual) for gap in verse
        if gap.line in plain and (usual := float(np.median(plain[gap.line]))) > 0
    ]  # fmt: skip


MIN_WORD_GAP_YUDS = _LIMITS.number("min_word_gap_yuds")
"""Usual gap between words, in yuds, below which it is far from the yud that is asked for
(Orach Chayim 32:32 gloss). Twenty held-out hands measured: the ten of a usual kind 1.1 to 2.0, the
ten drawn with close words 0.5 to 1.1."""

MIN_WORD_GAPS = _LIMITS.whole("min_word_gaps")
"""With fewer gaps between words the hand's habit is unknown."""


def word_findings(record: PageRecord, customs: Customs) -> list[Finding]:
    """One finding for a page whose words stand, as a rule, too near each other."""
    words, letters = (gaps_of_kind(record.gaps, kind) for kind in ("word", "letter"))
    if len(words) < MIN_WORD_GAPS or not letters:
        return []
    usual = float(np.median([gap.width_yud for gap in words]))
    if usual >= MIN_WORD_GAP_YUDS:
        return []
    within = float(np.median([gap.width_yud for gap in letters]))
    narrow = {g for gap in words if gap.width_yud < MIN_WORD_GAP_YUDS
              for g in (gap.right_glyph, gap.left_glyph)}  # fmt: skip
    glyphs = tuple(glyph for glyph in record.glyphs if glyph.glyph in narrow)
    inner = f"{max(within, 0.0):.1f}"
    between_letters = f"it is {inner}" if inner != NO_WIDTH else "none is seen"
    message = f"Between words the gap is as a rule {usual:.1f} of this hand's yud; between letters "
    message += f"{between_letters}."
    return [page_finding("words_near", glyphs, message, customs)]


def gaps_of_kind(gaps: Sequence[GapRecord], kind: str) -> list[GapRecord]:
    """The gaps between words or letters by the text, or, where it is unknown, by their
    probabilities."""
    odds = "p_words_joined" if kind == "word" else "p_word_parted"
    return [
        gap for gap in gaps
        if gap.expected == kind or (gap.expected is None and getattr(gap, odds) is not None)
    ]  # fmt: skip

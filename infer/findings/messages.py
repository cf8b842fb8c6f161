"""One sentence for each finding: what seems to be there, never what it means."""

from __future__ import annotations

from crownlet.infer.records import GapRecord, GlyphRecord
from crownlet.infer.view.wording import UNFAMILIAR_TEXT, defect_words, latin_name

NO_WIDTH = "0.0"
"""A width as sentences give it of which nothing is left."""

READING_KINDS = frozenset({"letter_swapped", "letter_extra", "shape_doubt", "unfamiliar"})
"""Claims on how a letter is read; all others are on the form and crowns that it should have."""


def letter_of_claim(kind: str, glyph: GlyphRecord) -> str:
    """The letter that a claim names: the one read, or the one by which its form is judged."""
    return glyph.letter if kind in READING_KINDS else glyph.judged_as


def letter_message(kind: str, glyph: GlyphRecord, sure: bool) -> str:
    """A sentence on one letter; "may" where the program is in doubt."""
    name = latin_name(letter_of_claim(kind, glyph)).capitalize()
    if kind == "unfamiliar":
        return f"{name}? {UNFAMILIAR_TEXT}"
    if kind == "tag_missing" and glyph.tags_expected is not None:
        return f"{name}: {_missing_tags(glyph.tags_seen, glyph.tags_expected, sure)}."
    if kind == "tag_excess" and glyph.tags_expected is not None:
        return f"{name}: {_tag_count(glyph.tags_seen)} seen, {glyph.tags_expected} expected."
    if kind == "letter_swapped" and glyph.expected:
        seems = "is read" if sure else "may be read"
        return f"{name} {seems} where the text has {latin_name(glyph.expected)}."
    if kind == "letter_extra":
        return f"{name}: the text has no letter here."
    if kind == "shape_doubt":
        return f"{name}: the form may be read as another letter."
    message = _LETTER_MESSAGES.get(kind, defect_words(kind) + "{maybe}")
    return f"{name}: {message.format(maybe=_perhaps(sure))}."


def _missing_tags(seen: int, expected: int, sure: bool) -> str:
    """No crown at all, as opposed to fewer tags than asked; what is counted, unless in doubt."""
    asked = f"{_tag_count(expected)} expected"
    if seen == 0 or expected == 1:
        return f"no crown seen, {asked}" if sure else f"perhaps no crown, {asked}"
    if seen < expected:
        return f"{_tag_count(seen)} seen, {expected} expected"
    return f"perhaps fewer crowns than the {expected} expected"


def _tag_count(count: int) -> str:
    many = "4 or more" if count >= 4 else str(count)
    return f"{many} crown{'' if count == 1 else 's'}"


def defect_phrase(kind: str) -> str:
    """A defect in a few words, such as "a corner is rounded"; extra to the text as a rule are
    marks and fillers (`habits/marks.py`)."""
    if kind == "letter_extra":
        return "marks and fillers beside the letters"
    return _LETTER_MESSAGES.get(kind, defect_words(kind)).format(maybe="")


def _perhaps(sure: bool) -> str:
    return "" if sure else ", perhaps"


_LETTER_MESSAGES = {
    "tag_bare": "a crown without a small head{maybe}",
    "tag_loose": "a gap between a crown and the letter{maybe}",
    "tag_merged": "two crowns touch{maybe}",
    "part_loose": "a gap between a part and the body of the letter{maybe}",
    "head_melted": "a head runs into the body without a thin joint{maybe}",
    "yud_misplaced": "a yud stands out of its place{maybe}",
    "heads_touch": "two heads touch{maybe}",
    "leg_touches_roof": "the left leg touches the roof or the right leg{maybe}",
    "stroke_broken": "a gap across a stroke{maybe}",
    "ink_lost": "ink is lost from part of the letter{maybe}",
    "foot_level": "the right foot does not reach lower than the left{maybe}",
    "heel_missing": "no heel behind the corner{maybe}",
    "corner_rounded": "a corner is rounded{maybe}",
    "corner_squared": "a corner where it should be round{maybe}",
    "leg_short": "a leg is short{maybe}",
    "leg_long": "a leg is long{maybe}",
    "kotz_missing": "no small point at the lower left{maybe}",
    "ring_open": "the ring is open{maybe}",
    "ring_closed": "the space inside is closed{maybe}",
    "overstretched": "much wider than others of its kind here{maybe}",
    "letters_touch": "touches a neighbour{maybe}",
}


def gap_message(kind: str, gap: GapRecord, right: str, left: str, sure: bool) -> str:
    """A sentence on the gap between two letters."""
    between = f"between {latin_name(right)} and {latin_name(left)}"
    shown = f"{max(gap.width_yud, 0.0):.1f}"
    width = f"the gap is {shown} of this hand's yud wide" if shown != NO_WIDTH else "no gap is seen"
    if kind == "words_joined":
        return f"Two words may read as one {between}: {width}."
    if kind == "word_parted":
        return f"One word may read as two {between}: {width}."
    return f"The letters touch{_perhaps(sure)} {between}: {width}."


def absent_message(letters: str, word: int, whole_word: bool) -> str:
    """A sentence on letters of the text that are not on the page."""
    names = ", ".join(latin_name(char) for char in letters)
    if whole_word:
        return f"Word {word} of the text, {names}, is not on the page."
    verb = "is" if len(letters) == 1 else "are"
    return f"Of word {word} of the text {names} {verb} not on the page."

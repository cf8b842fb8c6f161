"""Single findings by a hand that the promise does not cover: which are sure, and which are doubts.

The thresholds of findings are those of known hands. Of another hand a finding on one letter has to
be far surer, the letter has to stand out from its sisters, and which letter it is may not be in
question; else it is a doubt, and goes to review. Where the text has letters in place of others that
are read, such a place is misread before it is rewritten. A crown that is missing is judged on each
letter, as by any hand.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace

from crownlet.datasets.scribal.catalogue import GLYPH_DEFECTS
from crownlet.infer.habits.apply import (
    LETTERS_TOUCH,
    Group,
    form_of,
    group_of,
    is_judged,
    probability_by_hand,
)
from crownlet.infer.habits.judge import stands_out
from crownlet.infer.limits import limits_of
from crownlet.infer.records import (
    LETTER_ABSENT,
    LETTER_EXTRA,
    SHAPE_DOUBT,
    TAG_MISSING,
    GlyphRecord,
    PageRecord,
    TextMatch,
    TextPlace,
)
from crownlet.infer.routing.judgement import Changes, change_gap, change_letter, seen_kinds

_LIMITS = limits_of("habits.unlike")

MIN_SEEN_P = _LIMITS.number("min_seen_p")
"""Least probability of a finding on one letter of an unlike hand. On nine pages by scribes of the
Middle Ages, on which nothing is planted, two thirds of such findings have less."""

FORM_KINDS = frozenset(GLYPH_DEFECTS) - {TAG_MISSING, LETTERS_TOUCH, SHAPE_DOUBT}
"""Defects of form that are asked of each letter by itself."""

WORD_KINDS = frozenset({"words_joined", "word_parted"})
"""Doubts about where words begin."""


def doubt_single_findings(record: PageRecord) -> PageRecord:
    """The record of a page by an unlike hand with findings that are not sure sent to review."""
    changes: dict[int, Changes] = defaultdict(Changes)
    for group, glyphs in judged_letters(record):
        p = [probability_by_hand(glyph, group[0]) for glyph in glyphs]
        out = stands_out(p, [form_of(glyph, group[0]) for glyph in glyphs])
        for glyph, value, far in zip(glyphs, p, out, strict=True):
            if value < MIN_SEEN_P or not far:
                changes[glyph.glyph].doubted.add(group[0])
    for glyph in record.glyphs:
        changes[glyph.glyph].doubted |= _kinds_in_question(glyph)
    record = _doubt_gaps(record)
    record = _doubt_replaced(record, changes)
    return replace(record, glyphs=tuple(change_letter(g, changes[g.glyph]) for g in record.glyphs))


def _kinds_in_question(glyph: GlyphRecord) -> frozenset[str]:
    """What is seen on a letter of which it is in question which letter it is.

    Without a text its own form shows it; with one, that the text has another letter there or none.
    What follows from the text, and a crown that is missing, stay as they are.
    """
    seen = frozenset(seen_kinds(glyph))
    if glyph.expected is None:
        return seen - {LETTERS_TOUCH} if SHAPE_DOUBT in glyph.reasons else frozenset()
    return seen & FORM_KINDS if glyph.expected != glyph.letter else frozenset()


def _doubt_gaps(record: PageRecord) -> PageRecord:
    """The record with borders of words in doubt beside letters that the text denies: where the
    letters are in question, so is which words they are."""
    denied = {g.glyph for g in record.glyphs if g.expected not in (None, g.letter)}
    gaps = tuple(
        change_gap(gap, WORD_KINDS) if denied & {gap.right_glyph, gap.left_glyph} else gap
        for gap in record.gaps
    )
    return replace(record, gaps=gaps)


def judged_letters(record: PageRecord) -> Iterator[tuple[Group, list[GlyphRecord]]]:
    """The letters of a page judged for each defect of form, in the same order on any machine."""
    groups: dict[Group, list[GlyphRecord]] = defaultdict(list)
    for glyph in record.glyphs:
        for kind in GLYPH_DEFECTS:
            if kind in FORM_KINDS and is_judged(glyph, kind):
                groups[group_of(glyph, kind)].append(glyph)
    yield from groups.items()


def _doubt_replaced(record: PageRecord, changes: dict[int, Changes]) -> PageRecord:
    """The record with extra letters beside absent ones in doubt, both."""
    match = record.match
    if match is None:
        return record
    absent = {place.after for place in match.places if place.defect == LETTER_ABSENT}
    replaced = [
        place
        for place in match.places
        if place.defect == LETTER_EXTRA and absent & {place.after, place.glyphs[-1]}
    ]
    after = {n for place in replaced for n in (place.after, place.glyphs[-1])}
    for place in replaced:
        for number in place.glyphs:
            changes[number].doubted.add(LETTER_EXTRA)
    gaps = tuple(
        change_gap(gap, frozenset({LETTER_ABSENT})) if gap.right_glyph in after else gap
        for gap in record.gaps
    )
    return replace(record, gaps=gaps, match=_with_doubts(match, replaced, after))


def _with_doubts(match: TextMatch, replaced: list[TextPlace], after: set[int]) -> TextMatch:
    places = tuple(
        replace(place, sure=False)
        if place in replaced or (place.defect == LETTER_ABSENT and place.after in after)
        else place
        for place in match.places
    )
    absent = tuple(replace(a, route="review") if a.after in after else a for a in match.absent)
    return replace(match, places=places, absent=absent)

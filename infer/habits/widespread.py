"""What is seen all over a page, in place of findings on single letters.

A form or ink that is lost is seen on a letter where its probability is high; a finding on that
letter it is only if the letter stands out from its sisters. On writing that the networks do not
know, and on a worn page, such a probability is high on many letters, and says little of any one.

Where ink is lost from many letters, or many are drawn out to fill their lines, that is stated once,
with its share. By a hand that the promise does not cover, other letters that do not stand out are
doubts, and doubts about the same on letters of the forms stated are asked with the statement. What
is no form or wear is left to `apply.py` and `unlike.py`.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.datasets.scribal.customs import Customs
from crownlet.infer.findings.customs import accepted_by_customs
from crownlet.infer.findings.messages import defect_phrase
from crownlet.infer.findings.severity import habit_order
from crownlet.infer.habits.apply import (
    BY_HAND,
    INK_LOST,
    LETTERS_TOUCH,
    OVERSTRETCHED,
    Group,
    form_of,
    gravest_severity,
    group_of,
    is_judged,
    is_unlike,
    probability_by_hand,
)
from crownlet.infer.habits.judge import stands_out
from crownlet.infer.habits.statements import count_forms, describe_share, frequency_words
from crownlet.infer.hand_records import HabitLetter, HabitRecord
from crownlet.infer.limits import limits_of
from crownlet.infer.records import TAG_MISSING, GlyphRecord, PageRecord
from crownlet.infer.routing.judgement import (
    Changes,
    change_letter,
    judgement_of,
    seen_kinds,
    tally_of,
)
from crownlet.infer.routing.not_examined import cut_letters

_LIMITS = limits_of("habits.widespread")

MIN_WIDESPREAD_SHARE = _LIMITS.number("min_share")
"""Share of the letters that have lost ink from which that is stated once for the page. On nine
pages by scribes of the Middle Ages it is 4 to 13%, on rendered ones that are not worn under 1%."""

MIN_WIDESPREAD_LETTERS = _LIMITS.whole("min_letters")
"""Fewer letters are places of their own; so many that are drawn out are a way to fill lines."""

ALONE = (
    "none of these stands out from the page's other letters",
    "one of these stands out, and is listed by itself",
)
"""What is said of no letter that stands out, and of one."""

LEG_SHORT = "leg_short"


def state_widespread(record: PageRecord, customs: Customs) -> PageRecord:
    """The record, its habits found, with letters that do not stand out from their page no longer
    findings.

    A left leg that is measured, and as long as the customs ask, is no reason of its letter.
    """
    unlike = is_unlike(record)
    packed = {h.defect for h in record.habits if h.defect == LETTERS_TOUCH and h.kind == "habit"}
    changes: dict[int, Changes] = defaultdict(Changes)
    boxes = np.array([glyph.box for glyph in record.glyphs], np.float64).reshape(-1, 4)
    for glyph, cut in zip(record.glyphs, cut_letters(boxes, record.image), strict=True):
        if cut:  # Crown or class of a letter that is not seen whole.
            changes[glyph.glyph].doubted |= {*glyph.sure}
        if LEG_SHORT in glyph.reasons and accepted_by_customs(LEG_SHORT, glyph, record, customs):
            changes[glyph.glyph].usual.add(LEG_SHORT)
        if glyph.expected in (None, glyph.letter):
            continue
        # What hands do differs by letter, and which letter this is is in question.
        changes[glyph.glyph].usual |= {LETTERS_TOUCH} & packed
        if unlike:
            changes[glyph.glyph].doubted |= {TAG_MISSING, *BY_HAND} & {*seen_kinds(glyph)}
    habits = [*record.habits]
    for (kind, tags_expected), glyphs in _judged_letters(record):
        usual = [glyph for glyph in _not_outstanding(kind, glyphs) if kind in seen_kinds(glyph)]
        if is_widespread(kind, len(usual), len(glyphs)):
            seen = [glyph for glyph in glyphs if kind in seen_kinds(glyph)]
            alone = len(seen) - len(usual)
            habits.append(_statement((kind, tags_expected), seen, glyphs, customs, alone))
            for glyph in usual:
                changes[glyph.glyph].evidence.add(kind)
            forms = {glyph.letter for glyph in seen} if unlike else set()
            for glyph in glyphs:
                if glyph.letter in forms and judgement_of(glyph, kind) == "doubted":
                    changes[glyph.glyph].shared.add(kind)
        elif kind != OVERSTRETCHED and unlike:
            for glyph in usual:
                changes[glyph.glyph].doubted.add(kind)
    letters = tuple(change_letter(glyph, changes[glyph.glyph]) for glyph in record.glyphs)
    return replace(record, glyphs=letters, habits=tuple(sorted(habits, key=habit_order)))


def is_widespread(kind: str, seen: int, judged: int) -> bool:
    """Whether so many letters of those judged are one statement on the page."""
    if kind not in (INK_LOST, OVERSTRETCHED) or seen < MIN_WIDESPREAD_LETTERS:
        return False
    return kind == OVERSTRETCHED or seen >= MIN_WIDESPREAD_SHARE * judged


def _judged_letters(record: PageRecord) -> Iterator[tuple[Group, list[GlyphRecord]]]:
    """The letters judged for each defect that is a matter of the hand or the page, and that is seen
    on one of them."""
    seen = {kind for glyph in record.glyphs for kind in seen_kinds(glyph)}
    for kind in CATALOGUE:
        groups: dict[Group, list[GlyphRecord]] = defaultdict(list)
        for glyph in record.glyphs if kind in BY_HAND & seen else ():
            if is_judged(glyph, kind):
                groups[group_of(glyph, kind)].append(glyph)
        yield from groups.items()


def _not_outstanding(kind: str, glyphs: Sequence[GlyphRecord]) -> list[GlyphRecord]:
    """Letters that do not stand out; to draw letters out is a way to fill lines, however far."""
    if kind == OVERSTRETCHED:
        return [*glyphs]
    p = [probability_by_hand(glyph, kind) for glyph in glyphs]
    out = stands_out(p, [form_of(glyph, kind) for glyph in glyphs])
    return [glyph for glyph, far in zip(glyphs, out, strict=True) if not far]


def _statement(
    group: Group,
    seen: Sequence[GlyphRecord],
    judged: Sequence[GlyphRecord],
    customs: Customs,
    alone: int,
) -> HabitRecord:
    """One statement on letters of a page, and on the others of their forms; `alone` of those seen
    stand out, and stay findings."""
    kind, tags_expected = group
    forms = {glyph.letter for glyph in seen}
    of_forms = [glyph for glyph in judged if glyph.letter in forms]
    letters = count_forms(seen, of_forms)
    return HabitRecord(
        kind, tags_expected, "habit", letters, len(seen), len(of_forms),
        tally_of(of_forms, kind).doubted, tuple(glyph.glyph for glyph in seen), (),
        gravest_severity(kind, seen, customs).heading,
        _sentence(kind, letters, len(seen), len(of_forms), alone),
    )  # fmt: skip


def _sentence(kind: str, letters: Sequence[HabitLetter], seen: int, judged: int, alone: int) -> str:
    where = describe_share(seen, judged, letters)
    opening = f"{frequency_words(seen, judged)} on this page"
    if kind == OVERSTRETCHED:
        return f"{opening}: letters are drawn out, {where}."
    out = f"{alone} of these stand out, and are listed by themselves"
    if alone < len(ALONE):
        out = ALONE[alone]
    return f"{opening}: {defect_phrase(kind)} in {where}; {out}."

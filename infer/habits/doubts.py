"""Doubts that come again and again by a hand that the promise does not cover: one question each.

What the networks doubt on many letters of such a page is asked of the hand, by one statement that
is a doubt itself and that shows all these letters together. No doubt is dropped by that: the
letters keep it as `shared_doubts`, and their other reasons stay. A letter stays a place of its own
where it shows more than its hand does, its probability reaching a finding and standing out from its
sisters, and where the ink confirms the doubt. Crowns that are missing are asked letter by letter.

By any hand, what the customs accept whether it is there or not is no reason to look at a letter.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

from crownlet.datasets.scribal.customs import Customs
from crownlet.infer.findings.customs import accepted_by_customs
from crownlet.infer.findings.severity import habit_order
from crownlet.infer.habits.apply import Group, form_of, gravest_severity, probability_by_hand
from crownlet.infer.habits.judge import HALF, stands_out
from crownlet.infer.habits.statements import count_forms, describe_share, habit_phrase
from crownlet.infer.habits.unlike import judged_letters
from crownlet.infer.habits.widespread import MIN_WIDESPREAD_LETTERS, MIN_WIDESPREAD_SHARE
from crownlet.infer.hand_records import DOUBTED, HabitLetter, HabitRecord
from crownlet.infer.records import UNFAMILIAR, GlyphRecord, PageRecord
from crownlet.infer.routing.judgement import Changes, change_letter, judgement_of
from crownlet.infer.thresholds import Thresholds


def share_doubts(record: PageRecord, thresholds: Thresholds, customs: Customs) -> PageRecord:
    """The record of a page by an unlike hand, with doubts that come again and again stated once.

    So many letters are asked of together as show lost ink all over a page (`widespread.py`), of the
    letters whose forms are in doubt. Of a page that may hold no square script nothing is stated.
    """
    if any(UNFAMILIAR in glyph.reasons for glyph in record.glyphs):
        return record
    confirmed = {(m.glyph, m.defect) for m in record.measurements if m.claim == "there"}
    habits = [*record.habits]
    changes: dict[int, Changes] = defaultdict(Changes)
    for group, glyphs in judged_letters(record):
        kind, pair = group[0], thresholds.of(group[0])
        p = [probability_by_hand(glyph, kind) for glyph in glyphs]
        out = stands_out(p, [form_of(glyph, kind) for glyph in glyphs])
        doubted = [
            glyph
            for glyph, value, far in zip(glyphs, p, out, strict=True)
            if judgement_of(glyph, kind) == "doubted"
            and not accepted_by_customs(kind, glyph, record, customs)
            and not (far and value >= pair.finding)
            and not (value >= pair.clear and (glyph.glyph, kind) in confirmed)
        ]
        forms = {form_of(glyph, kind) for glyph in doubted}
        of_forms = [glyph for glyph in glyphs if form_of(glyph, kind) in forms]
        least = max(MIN_WIDESPREAD_LETTERS, MIN_WIDESPREAD_SHARE * len(of_forms))
        if len(doubted) < least:
            continue
        habits.append(_question(group, doubted, of_forms, customs))
        for glyph in doubted:
            changes[glyph.glyph].shared.add(kind)
    letters = tuple(change_letter(glyph, changes[glyph.glyph]) for glyph in record.glyphs)
    return replace(record, glyphs=letters, habits=tuple(sorted(habits, key=habit_order)))


def set_accepted_aside(record: PageRecord, customs: Customs) -> PageRecord:
    """The record, with doubts about what the customs accept no longer reasons of their letters.

    They are listed nowhere, so a letter with no other reason is asked of nobody. A form that is
    surely seen stays a reason: it is counted whatever the customs.
    """

    def accepted(glyph: GlyphRecord) -> set[str]:
        return {
            kind
            for kind in glyph.reasons
            if judgement_of(glyph, kind) == "doubted"
            and accepted_by_customs(kind, glyph, record, customs)
        }

    letters = tuple(change_letter(g, Changes(accepted=accepted(g))) for g in record.glyphs)
    return replace(record, glyphs=letters)


def _question(
    group: Group, doubted: Sequence[GlyphRecord], judged: Sequence[GlyphRecord], customs: Customs
) -> HabitRecord:
    """One doubt about a hand: `doubted` of the letters `judged`."""
    kind, tags_expected = group
    letters = count_forms(doubted, judged)
    return HabitRecord(
        kind, tags_expected, DOUBTED, letters, 0, len(judged), len(doubted),
        tuple(glyph.glyph for glyph in doubted), (),
        gravest_severity(kind, doubted, customs).heading,
        _sentence(habit_phrase(kind, doubted), letters, len(doubted), len(judged)),
        sum(probability_by_hand(glyph, kind) > HALF for glyph in doubted), sure=False,
    )  # fmt: skip


def _sentence(phrase: str, letters: Sequence[HabitLetter], doubted: int, judged: int) -> str:
    return f"In doubt in this hand: {phrase} in {describe_share(doubted, judged, letters)}."

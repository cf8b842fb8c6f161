"""A page's record with the habits of its hand: statements, and letters without reasons by habit."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import get_args

from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.datasets.scribal.customs import Customs
from crownlet.infer.findings.customs import accepted_by_customs
from crownlet.infer.findings.finding import HEADING_RANK
from crownlet.infer.findings.severity import Severity, severity_of
from crownlet.infer.habits.judge import Count, is_packed, judge_letters, stands_out
from crownlet.infer.habits.statements import describe_habit
from crownlet.infer.hand_records import HabitKind, HabitLetter, HabitRecord
from crownlet.infer.records import (
    SHAPE_DOUBT,
    TAG_MISSING,
    TAG_NONE,
    GapRecord,
    GlyphRecord,
    PageRecord,
    Route,
)
from crownlet.infer.routing.judgement import judgement_of
from crownlet.infer.thresholds import ThresholdPair, Thresholds

LETTERS_TOUCH = "letters_touch"

Group = tuple[str, int | None]
"""A defect, and for crowns the number that the letters ask for."""


@dataclass(frozen=True)
class Case:
    """One judgement of one letter."""

    glyph: GlyphRecord
    form: str
    """The letter's form; "" for a defect in which all letters of a hand are taken together."""
    p: float
    seen: bool
    absent: bool


def find_habits(record: PageRecord, thresholds: Thresholds, customs: Customs) -> PageRecord:
    """The record with the statements on its hand in place of the letters that follow a habit.

    A page on which nothing is more than a review is left as it is.
    """
    cases = _cases(record, thresholds, customs)
    if cases is None:
        return record
    habits: list[HabitRecord] = []
    dropped: dict[int, set[str]] = defaultdict(set)
    kept: dict[int, set[str]] = defaultdict(set)
    for group, rows in cases.items():
        counts = count_forms(rows)
        kinds = judge_letters(counts)
        if group[0] == LETTERS_TOUCH and is_packed(counts[""]):
            kinds = {"": "habit"}
        if not CATALOGUE[group[0]].habit:
            kinds = dict.fromkeys(kinds, "repeated")
        for kind in get_args(HabitKind):
            stated = [row for row in rows if kinds.get(row.form) == kind]
            if stated:
                habits.append(_statement(group, kind, stated, customs))
        own = {form for form, kind in kinds.items() if kind == "habit"}
        for row in rows:
            if row.form in own and not row.absent:
                (kept if row.seen else dropped)[row.glyph.glyph].add(group[0])
        others = [row for row in rows if row.form not in own]
        out = stands_out([row.p for row in others], [row.form for row in others])
        for row, far in zip(others, out, strict=True):
            if not (far or row.seen or row.absent):
                dropped[row.glyph.glyph].add(group[0])
    glyphs = tuple(_without(g, kept[g.glyph], dropped[g.glyph]) for g in record.glyphs)
    touching = any(h.defect == LETTERS_TOUCH and h.kind == "habit" for h in habits)
    gaps = tuple(map(_without_touch, record.gaps)) if touching else record.gaps
    ranked = sorted(habits, key=lambda h: (HEADING_RANK[h.heading], -h.seen))  # type: ignore[index]
    return replace(record, glyphs=glyphs, gaps=gaps, habits=tuple(ranked))


def count_forms(cases: Iterable[Case]) -> dict[str, Count]:
    """Counts by form."""
    seen: dict[str, int] = defaultdict(int)
    judged: dict[str, int] = defaultdict(int)
    for case in cases:
        seen[case.form] += case.seen
        judged[case.form] += 1
    return {form: Count(seen[form], judged[form]) for form in judged}


def is_judged(glyph: GlyphRecord, name: str) -> bool:
    """Whether a defect was judged on a letter that is surely this letter."""
    return (
        glyph.p.get(name) is not None
        and name not in glyph.not_examined
        and glyph.expected in (None, glyph.letter)
    )


def group_of(glyph: GlyphRecord, name: str) -> Group:
    """The letters that are counted together with this one."""
    return name, glyph.tags_expected if name in ("tag_missing", "tag_excess") else None


def form_of(glyph: GlyphRecord, name: str) -> str:
    """The form under which a letter is counted; "" where all letters of a hand are counted."""
    return "" if name == LETTERS_TOUCH else glyph.letter


def _cases(
    record: PageRecord, thresholds: Thresholds, customs: Customs
) -> Mapping[Group, Sequence[Case]] | None:
    """The judgements of a page by group; None where its findings are no more than reviews."""
    cases: dict[Group, list[Case]] = defaultdict(list)
    high = 0
    for glyph in record.glyphs:
        for name, p in glyph.p.items():
            if p is None or name in (SHAPE_DOUBT, TAG_NONE) or not is_judged(glyph, name):
                continue
            if accepted_by_customs(name, glyph, record, customs):
                continue
            asked = _judgements(glyph, name, thresholds)
            high += any(value >= pair.finding for value, pair in asked)
            seen = judgement_of(glyph, name) == "seen"
            absent = all(value < pair.clear for value, pair in asked)
            case = Case(glyph, form_of(glyph, name), probability_by_hand(glyph, name), seen, absent)
            cases[group_of(glyph, name)].append(case)
    # A measure may deny some of them; where nothing is sure the page gives reviews only.
    return None if high and not any(glyph.sure for glyph in record.glyphs) else cases


def probability_by_hand(glyph: GlyphRecord, name: str) -> float:
    """The probability of a judged defect by which a letter is compared with its sisters."""
    return max(p for p, _ in _asked(glyph, name))


def _judgements(
    glyph: GlyphRecord, name: str, thresholds: Thresholds
) -> list[tuple[float, ThresholdPair]]:
    """Probabilities of a defect with their thresholds."""
    return [(p, thresholds.of(judgement)) for p, judgement in _asked(glyph, name)]


def _asked(glyph: GlyphRecord, name: str) -> list[tuple[float, str]]:
    """Probabilities of a defect with the names of their judgements: of crowns, none at all and
    fewer than asked, of which the former alone counts where one is asked."""
    p, none = glyph.p[name] or 0.0, glyph.p.get(TAG_NONE)
    if name != TAG_MISSING or none is None:
        return [(p, name)]
    asked = [(none, TAG_NONE)] if TAG_NONE not in glyph.not_examined else []
    return asked + [(p, name)] * (glyph.tags_expected != 1 or not asked)


def _statement(
    group: Group, kind: HabitKind, cases: Sequence[Case], customs: Customs
) -> HabitRecord:
    defect, tags_expected = group
    seen = [case.glyph for case in cases if case.seen]
    absent = [case.glyph for case in cases if case.absent]
    # Of a hand that packs its letters the others are no exceptions.
    exceptions = absent if kind == "habit" and 2 * len(seen) > len(cases) else []
    counts = count_forms(cases)
    letters = tuple(HabitLetter(form, *counts[form]) for form in ("", *LETTERS) if form in counts)
    severity = _gravest(defect, seen, customs)
    return HabitRecord(
        defect, tags_expected, kind, letters, len(seen), len(cases),
        len(cases) - len(seen) - len(absent),
        tuple(g.glyph for g in seen), tuple(g.glyph for g in exceptions), severity.heading,
        describe_habit(defect, kind, letters, seen, exceptions),
    )  # fmt: skip


def _gravest(defect: str, glyphs: Sequence[GlyphRecord], customs: Customs) -> Severity:
    """The gravest severity of a defect among letters."""
    every = [severity_of(defect, g.letter, customs, g.tags_seen) for g in glyphs]
    return min(every, key=lambda severity: HEADING_RANK[severity.heading])


def _without(glyph: GlyphRecord, by_habit: set[str], usual: set[str]) -> GlyphRecord:
    """A letter without the reasons that its hand explains."""
    gone = by_habit | usual
    if not gone & {*glyph.reasons}:
        return glyph
    reasons = tuple(name for name in glyph.reasons if name not in gone)
    sure = tuple(name for name in glyph.sure if name not in gone)
    habits = tuple(name for name in glyph.reasons if name in by_habit)
    return replace(
        glyph, reasons=reasons, sure=sure, habits=habits, route=_route(glyph, reasons, sure)
    )


def _without_touch(gap: GapRecord) -> GapRecord:
    reasons = tuple(name for name in gap.reasons if name != LETTERS_TOUCH)
    sure = tuple(name for name in gap.sure if name != LETTERS_TOUCH)
    return replace(gap, reasons=reasons, sure=sure, route=_route(gap, reasons, sure))


def _route(row: GlyphRecord | GapRecord, reasons: Sequence[str], sure: Sequence[str]) -> Route:
    """The route that the remaining reasons have."""
    if not reasons:
        return "clear"
    return "finding" if row.route == "finding" and sure else "review"

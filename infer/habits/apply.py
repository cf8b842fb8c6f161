"""A page's record with the habits of its hand: statements, and letters without reasons by habit."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.datasets.scribal.customs import Customs
from crownlet.infer.findings.customs import accepted_by_customs
from crownlet.infer.findings.finding import HEADING_RANK
from crownlet.infer.findings.severity import Severity, habit_order, severity_of
from crownlet.infer.habits.judge import (
    HALF,
    MIN_HABIT_SHARE,
    MIN_SEEN_OF_STATEMENT,
    MIN_SEEN_SHARE_OF_STATEMENT,
    Count,
    forms_near_fault,
    forms_often,
    is_packed,
    judge_letters,
    stands_out,
)
from crownlet.infer.habits.statements import describe_habit
from crownlet.infer.hand_records import HabitKind, HabitLetter, HabitRecord
from crownlet.infer.limits import limits_of
from crownlet.infer.records import (
    SHAPE_DOUBT,
    TAG_MISSING,
    TAG_NONE,
    UNFAMILIAR,
    GlyphRecord,
    Measurement,
    PageRecord,
)
from crownlet.infer.routing.judgement import Changes, change_letter, judgement_of, without_reason
from crownlet.infer.thresholds import Thresholds

_LIMITS = limits_of("habits.apply")

MIN_OWN_LETTERS = _LIMITS.whole("min_own_letters")
"""From so many letters of a form on a page is judged by them alone: pages of one scroll may be by
two hands, and fewer show neither a habit nor what is usual."""

MIN_DENIED_SHARE = _LIMITS.number("min_denied_share")
"""Share of the measured letters from which the ink denies a habit of form. Lengths and heels of one
letter are a matter of hand and custom; of a habit they err both ways. On 157 drawn mezuzot it is
denied in 2 of 79 statements on legs, heels and points, neither of which was planted."""

LETTERS_TOUCH, INK_LOST, OVERSTRETCHED = "letters_touch", "ink_lost", "overstretched"
TAG_EXCESS = "tag_excess"

BY_HAND: frozenset[str] = frozenset(
    kind
    for kind, defect in CATALOGUE.items()
    if (defect.habit and kind not in (TAG_MISSING, LETTERS_TOUCH)) or kind == INK_LOST
)
"""Defects that are findings of a letter only where it differs from its hand, or from its page. A
crown is missing on each letter that lacks it."""

Group = tuple[str, int | None]
"""A defect, and for crowns the number that the letters ask for."""


class Case(NamedTuple):
    """One judgement of one letter."""

    glyph: GlyphRecord
    form: str
    """The letter's form; "" for a defect in which all letters of a hand are taken together."""
    p: float
    seen: bool
    absent: bool
    of_page: bool = True
    """Whether the letter is of the page that is judged, not of another of its scroll."""

    @property
    def likely(self) -> bool:
        """Whether the letter is likelier than not to show it. Shares are counted so: one letter is
        a finding only from far more than that on, but many letters err both ways."""
        return self.seen or self.p > HALF


def find_habits(
    record: PageRecord,
    thresholds: Thresholds,
    customs: Customs,
    others: Sequence[PageRecord] = (),
) -> PageRecord:
    """The record with the statements on its hand in place of the letters that follow a habit.

    Of a page on which nothing is more than a review statements are doubts, too, and its letters
    stay; of one that may hold no square script nothing is stated. `others` are records of other
    pages of the scroll, not yet judged so: their letters count for forms of which the page has few.
    """
    cases, sure = _cases(record, thresholds, customs)
    foreign = any(UNFAMILIAR in glyph.reasons for glyph in record.glyphs)
    unlike = is_unlike(record)
    if others:
        _add_letters_of_others(cases, [_cases(other, thresholds, customs)[0] for other in others])
    habits: list[HabitRecord] = []
    changes: dict[int, Changes] = defaultdict(Changes)
    for group, rows in cases.items():
        kinds = {} if foreign else kinds_of_forms(group, rows, unlike=unlike)
        if is_denied(group[0], [row for row in rows if row.form in kinds], record.measurements):
            kinds = {}
        stated = [row for row in rows if row.form in kinds]
        if any(row.seen and row.of_page for row in stated):
            habits.append(_statement(group, kinds, stated, customs, sure, unlike=unlike))
        _compare_with_sisters(group, rows, kinds if sure else {}, changes, unlike=unlike)
    glyphs = tuple(change_letter(g, changes[g.glyph]) for g in record.glyphs)
    touching = any(h.defect == LETTERS_TOUCH and h.kind == "habit" and sure for h in habits)
    gaps = record.gaps
    if touching:
        gaps = tuple(without_reason(gap, LETTERS_TOUCH) for gap in gaps)
    return replace(record, glyphs=glyphs, gaps=gaps, habits=tuple(sorted(habits, key=habit_order)))


def _add_letters_of_others(
    cases: Mapping[Group, list[Case]], others: Iterable[Mapping[Group, Sequence[Case]]]
) -> None:
    """Add to the cases of a page those of other pages, of the forms of which it has few letters."""
    few = {
        group: {form for form, count in count_forms(rows).items() if count.judged < MIN_OWN_LETTERS}
        for group, rows in cases.items()
    }
    for other in others:
        for group, rows in cases.items():
            more = [case for case in other.get(group, ()) if case.form in few[group]]
            rows += [case._replace(of_page=False) for case in more]


def is_unlike(record: PageRecord) -> bool:
    """Whether a page is by a hand that the promise does not cover."""
    return record.familiarity is not None and not record.familiarity.known


def kinds_of_forms(
    group: Group, cases: Sequence[Case], *, unlike: bool = False
) -> dict[str, HabitKind]:
    """What is stated of the letter forms of one defect; forms of which nothing is are left out.

    Of an `unlike` hand, which the promise does not cover, contacts and loose parts are a way of
    writing as much as soft corners are, and are stated from fewer letters on.
    """
    seen: dict[str, int] = defaultdict(int)
    for case in cases:
        seen[case.form] += case.seen
    counts = count_forms(cases)
    kinds = kinds_of_counts(group[0], counts, seen)
    if not unlike or group[0] in (TAG_MISSING, INK_LOST, OVERSTRETCHED):
        return kinds
    # Nothing that such a hand repeats is listed letter by letter.
    kinds = {form: "habit" if kind == "repeated" else kind for form, kind in kinds.items()}
    left = {form: count for form, count in seen.items() if form not in kinds}
    often = forms_often(left, {form: counts[form].judged for form in left})
    return kinds | dict.fromkeys(often, "habit")


def kinds_of_counts(
    defect: str, counts: Mapping[str, Count], seen: Mapping[str, int]
) -> dict[str, HabitKind]:
    """What is stated of letter forms by the letters that are likely to show a defect, and by those
    that are `seen` to."""
    if defect in (INK_LOST, OVERSTRETCHED):
        return {}  # Matters of a page: `widespread.py` states them.
    kinds = judge_letters(counts)
    if defect == LETTERS_TOUCH and is_packed(counts[""]):
        kinds = {"": "habit"}
    judged = sum(counts[form].judged for form in kinds)
    least = max(MIN_SEEN_OF_STATEMENT, MIN_SEEN_SHARE_OF_STATEMENT * judged)
    if sum(seen[form] for form in kinds) < least:
        return {}
    if not CATALOGUE[defect].habit:
        return dict.fromkeys(kinds, "repeated")
    return kinds | dict.fromkeys(_near_forms(defect, counts) & kinds.keys(), "habit")


def is_denied(defect: str, cases: Iterable[Case], taken: Iterable[Measurement]) -> bool:
    """Whether the ink denies a habit of form: measures of most letters that seem to show it, and
    of none the contrary."""
    if not CATALOGUE[defect].habit:
        return False
    seen = {case.glyph.glyph for case in cases if case.seen and case.of_page}
    claims = [each.claim for each in taken if each.defect == defect and each.glyph in seen]
    return "there" not in claims and claims.count("not_there") > MIN_DENIED_SHARE * len(claims)


def _compare_with_sisters(
    group: Group,
    cases: Sequence[Case],
    kinds: Mapping[str, HabitKind],
    to: dict[int, Changes],
    *,
    unlike: bool,
) -> None:
    """Add to the letters' changes what becomes of one defect."""
    counts = count_forms(cases)
    near = _near_forms(group[0], counts)
    # Of a form that nearly always shows it no letter stands out for showing it.
    near = frozenset(form for form in near if counts[form].share < MIN_HABIT_SHARE)
    stated = {
        form for form, kind in kinds.items() if is_stated_alone(group[0], kind, unlike=unlike)
    }
    own = [case for case in cases if case.form in stated]
    others = [case for case in cases if case.form not in stated]
    for case, far in _with_standing(own):
        if not case.of_page:
            continue
        if case.seen and not (far and case.form in near):
            to[case.glyph.glyph].evidence.add(group[0])
        elif not (case.seen or case.absent):
            to[case.glyph.glyph].usual.add(group[0])
    for case, far in _with_standing(others):
        if not case.of_page:
            continue
        if case.seen and case.form in near and not far:
            to[case.glyph.glyph].doubted.add(group[0])
        elif not (case.seen or case.absent or far):
            to[case.glyph.glyph].usual.add(group[0])


def _near_forms(defect: str, counts: Mapping[str, Count]) -> frozenset[str]:
    """The forms that the hand's own way draws near a defect; no way of writing is near to leaving
    out a crown, which stands there or does not."""
    if defect == TAG_MISSING or not CATALOGUE[defect].habit:
        return frozenset()
    return forms_near_fault(counts)


def is_stated_alone(defect: str, kind: HabitKind, *, unlike: bool = False) -> bool:
    """Whether the letters that a statement names are its evidence, and not places of their own."""
    stated = defect in BY_HAND or (unlike and defect != TAG_MISSING)
    return kind == "habit" or (kind == "unsteady" and stated)


def _with_standing(cases: Sequence[Case]) -> Iterator[tuple[Case, bool]]:
    """Each case, and whether it stands out from its sisters."""
    out = stands_out([case.p for case in cases], [case.form for case in cases])
    return zip(cases, map(bool, out), strict=True)


def count_forms(cases: Iterable[Case]) -> dict[str, Count]:
    """Counts by form, of letters that are likely to show a defect."""
    by_form: dict[str, list[Case]] = defaultdict(list)
    for case in cases:
        by_form[case.form].append(case)
    return {
        form: Count(sum(c.likely for c in rows), len(rows), sum(c.absent for c in rows))
        for form, rows in by_form.items()
    }


def is_judged(glyph: GlyphRecord, name: str) -> bool:
    """Whether a defect was judged on a letter that is surely this letter.

    Missing crowns are where it is judged whether there is any, though none can be counted.
    """
    if glyph.expected not in (None, glyph.letter):
        return False
    return _is_seen(glyph, name) or (name == TAG_MISSING and _is_seen(glyph, TAG_NONE))


def _is_seen(glyph: GlyphRecord, judgement: str) -> bool:
    """Whether the picture shows what a judgement needs."""
    return glyph.p.get(judgement) is not None and judgement not in glyph.not_examined


def group_of(glyph: GlyphRecord, name: str) -> Group:
    """The letters that are counted together with this one."""
    return name, glyph.tags_expected if name in (TAG_MISSING, TAG_EXCESS) else None


def form_of(glyph: GlyphRecord, name: str) -> str:
    """The form under which a letter is counted; "" where all letters of a hand are counted."""
    return "" if name == LETTERS_TOUCH else glyph.letter


def _cases(
    record: PageRecord, thresholds: Thresholds, customs: Customs
) -> tuple[dict[Group, list[Case]], bool]:
    """The judgements of a page by group, and whether any of its findings is more than a review.

    Where none is, what reaches the threshold of a finding counts as seen.
    """
    rows: dict[Group, list[tuple[Case, bool]]] = defaultdict(list)
    for glyph in record.glyphs:
        for name, p in glyph.p.items():
            if p is None or name in (SHAPE_DOUBT, TAG_NONE) or not is_judged(glyph, name):
                continue
            most, absent, high = 0.0, True, False
            for value, each in _asked(glyph, name):
                pair = thresholds.of(each)
                most = max(most, value)
                absent = absent and value < pair.clear
                high = high or value >= pair.finding
            # A letter of the old list of crowns that has those of its class is one of its form.
            crowned = absent and name in (TAG_MISSING, TAG_EXCESS)
            if not crowned and accepted_by_customs(name, glyph, record, customs):
                continue
            reason = name in glyph.reasons or name in glyph.habits
            seen = reason and judgement_of(glyph, name) == "seen"
            case = Case(glyph, form_of(glyph, name), most, seen, absent)
            rows[group_of(glyph, name)].append((case, high))
    # A measure may deny some of them; where nothing is sure the page gives reviews only.
    sure = any(glyph.sure for glyph in record.glyphs)
    cases = {
        group: [case if sure else case._replace(seen=high) for case, high in found]
        for group, found in rows.items()
    }
    return cases, sure


def probability_by_hand(glyph: GlyphRecord, name: str) -> float:
    """The probability of a judged defect by which a letter is compared with its sisters."""
    return max(p for p, _ in _asked(glyph, name))


def _asked(glyph: GlyphRecord, name: str) -> list[tuple[float, str]]:
    """Probabilities of a defect with the names of their judgements: of crowns, none at all and
    fewer than asked, of which the former alone counts where one is asked."""
    names = [name]
    if name == TAG_MISSING and _is_seen(glyph, TAG_NONE):
        counted = glyph.tags_expected != 1 and _is_seen(glyph, TAG_MISSING)
        names = [TAG_NONE, *[TAG_MISSING] * counted]
    return [(glyph.p[each] or 0.0, each) for each in names]


def _statement(
    group: Group,
    kinds: Mapping[str, HabitKind],
    cases: Sequence[Case],
    customs: Customs,
    sure: bool,
    *,
    unlike: bool,
) -> HabitRecord:
    """One statement on the letters of the forms in `kinds`, which `cases` are.

    All of them decide of what kind it is; the counts are those of the page.
    """
    defect, tags_expected = group
    kind = next(iter(kinds.values()))
    if {*kinds.values()} == {"habit", "unsteady"}:
        share = sum(case.likely for case in cases) / len(cases)
        kind = "habit" if share >= MIN_HABIT_SHARE else "unsteady"
    cases = [case for case in cases if case.of_page]
    seen = [case.glyph for case in cases if case.seen]
    absent = [case.glyph for case in cases if case.absent]
    likely = sum(case.likely for case in cases)
    # Of a hand that packs its letters the others are no exceptions.
    exceptions = absent if kind == "habit" and 2 * likely > len(cases) else []
    letters = tuple(
        HabitLetter(form, sum(case.seen for case in rows), len(rows))
        for form in ("", *LETTERS)
        if (rows := [case for case in cases if case.form == form])
    )
    doubted = len(cases) - len(seen) - len(absent)
    severity = gravest_severity(defect, seen, customs)
    listed = [
        row
        for row in letters
        if not (sure and is_stated_alone(defect, kinds[row.letter], unlike=unlike))
    ]
    message = describe_habit(defect, kind, letters, seen, doubted, exceptions, listed, sure)
    return HabitRecord(
        defect, tags_expected, kind, letters, len(seen), len(cases), doubted,
        tuple(g.glyph for g in seen), tuple(g.glyph for g in exceptions), severity.heading, message,
        likely, sure,
    )  # fmt: skip


def gravest_severity(defect: str, glyphs: Sequence[GlyphRecord], customs: Customs) -> Severity:
    """The gravest severity of a defect among letters."""
    every = [severity_of(defect, g.letter, customs, g.tags_seen) for g in glyphs]
    return min(every, key=lambda severity: HEADING_RANK[severity.heading])

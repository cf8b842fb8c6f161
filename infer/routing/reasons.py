"""Where a letter or gap goes: clear, review or finding, and for what reasons.

A route says where an examiner should look; it is never a decision about the letter.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace

from crownlet.infer.limits import limits_of
from crownlet.infer.records import (
    LETTER_EXTRA,
    LETTER_SWAPPED,
    SHAPE_DOUBT,
    TAG_MISSING,
    TAG_NONE,
    GlyphRecord,
    Measurement,
    Route,
)
from crownlet.infer.routing.judgement import judge
from crownlet.infer.thresholds import Thresholds

_LIMITS = limits_of("routing.reasons")

MAX_UNSEEN_LETTER_P = _LIMITS.number("max_unseen_letter_p")
"""The expected letter is excluded, where another one is read, if its probability is at most
this."""

_RANK: dict[Route, int] = {"clear": 0, "review": 1, "finding": 2}

Reason = tuple[str, Route]


def most_urgent(*routes: Route) -> Route:
    """The most urgent of several routes."""
    return max(routes, key=_RANK.__getitem__, default="clear")


def merge_reasons(reasons: list[Reason]) -> tuple[Route, tuple[str, ...]]:
    """One route and the reasons for it, most urgent first, each once."""
    ordered = sorted(reasons, key=lambda reason: -_RANK[reason[1]])
    return most_urgent(*(route for _, route in reasons)), tuple(
        dict.fromkeys(n for n, _ in ordered)
    )


def definite_reasons(reasons: list[Reason]) -> tuple[str, ...]:
    """The reasons that are findings by themselves, each once."""
    return tuple(dict.fromkeys(name for name, route in reasons if route == "finding"))


def defect_reasons(
    p: Mapping[str, float | None], thresholds: Thresholds, skipped: Collection[str] = ()
) -> list[Reason]:
    """Reasons from probabilities, surest first; `skipped` judgements give none.

    A doubt of shape has its own limits: see `letter_reasons`. That no tag at all stands on a letter
    is a judgement of its own and gives the same reason as fewer tags than asked.
    """
    reasons: list[Reason] = []
    for name, value in sorted(p.items(), key=lambda item: -(item[1] or 0.0)):
        if value is None or name in skipped or name == SHAPE_DOUBT:
            continue
        reason = TAG_MISSING if name == TAG_NONE else name
        judgement = judge(value, thresholds.of(name))
        if judgement != "clear":
            reasons.append((reason, "finding" if judgement == "seen" else "review"))
    return reasons


def letter_reasons(
    letter: str,
    letter_p: float,
    expected: str | None,
    expected_p: float,
    thresholds: Thresholds,
) -> list[Reason]:
    """Reasons from the class: a doubtful shape, another letter than expected, an extra letter.

    `expected` is None when nothing is known of the text and "" for an extra letter; `expected_p` is
    the probability of the expected letter.
    """
    sure = letter_p >= thresholds.swapped_p
    if expected is None:
        return [(SHAPE_DOUBT, "review")] if letter_p < thresholds.letter_p else []
    if expected == "":
        return [(LETTER_EXTRA, "finding" if sure else "review")]
    if expected == letter:
        return [(SHAPE_DOUBT, "review")] if letter_p < thresholds.letter_p_expected else []
    if sure and expected_p <= MAX_UNSEEN_LETTER_P:
        return [(LETTER_SWAPPED, "finding")]
    return [(LETTER_SWAPPED, "review"), (SHAPE_DOUBT, "review")]


MEASURED_DEFECTS = frozenset(
    {"part_loose", "heads_touch", "leg_touches_roof", "ring_open", "ring_closed", "foot_level"}
)
"""Defects for which a measure may send a letter to review.

On seeds never used before, 300 pages by held-out hands, photographed or scanned, worn and faded, 30
to 90 px: of 47,857 letters without a fault 74 went to review by the measure alone (0.15%, 43 of
them drops of pe); of 1,544 faulty ones that the networks had cleared, nearly all too faint to be
seen, it sent 59 to review, and one of the 91 plain ones. Of the networks' findings it denied 4 of
367, all of them real. On 100 clean pages at 64 px it sent none of 18,446 letters. Gaps at tags are
left out, since hairline stems are often too pale to be measured, and gaps across strokes, which
worn ink has as well (0.1% of the letters), and lengths, heels and points, in which hands and
customs differ.
"""


def review_disagreements(
    rows: tuple[GlyphRecord, ...], measurements: Iterable[Measurement], thresholds: Thresholds
) -> tuple[GlyphRecord, ...]:
    """The rows, with the letters in review on which networks and measures disagree."""
    by_letter: dict[int, list[Measurement]] = defaultdict(list)
    for measurement in measurements:
        if measurement.defect in MEASURED_DEFECTS:
            by_letter[measurement.glyph].append(measurement)
    return tuple(
        _compare_row(row, by_letter[row.glyph], thresholds) if row.glyph in by_letter else row
        for row in rows
    )


def _compare_row(row: GlyphRecord, taken: list[Measurement], thresholds: Thresholds) -> GlyphRecord:
    answers: dict[str, set[str]] = defaultdict(set)
    for measurement in taken:
        answers[measurement.defect].add(measurement.claim)
    missed, doubted = [], set()
    for name, claims in answers.items():
        p = row.p.get(name)
        if p is None or name in row.not_examined:
            continue
        limits = thresholds.of(name)
        if p < limits.clear and "there" in claims:
            missed.append(name)
        elif p >= limits.finding and claims == {"not_there"}:
            doubted.add(name)
    reasons = tuple(dict.fromkeys((*row.reasons, *missed)))
    route = row.route
    if missed and route == "clear":
        route = "review"
    if route == "finding" and doubted and _finding_reasons(row, thresholds) <= doubted:
        route = "review"
    # What a measure denies is doubted, and no longer seen, whatever else is on the letter.
    sure = tuple(name for name in row.sure if name not in doubted)
    return replace(row, route=route, reasons=reasons, sure=sure)


def _finding_reasons(row: GlyphRecord, thresholds: Thresholds) -> set[str]:
    """Reasons that by themselves make the letter a finding."""
    sure = {
        name
        for name in row.reasons
        if (p := row.p.get(name)) is not None and p >= thresholds.of(name).finding
    }
    # Measures are no evidence against what was read otherwise than the text.
    return sure | ({LETTER_SWAPPED, LETTER_EXTRA} & set(row.reasons))

"""Findings on single letters, on the gaps between them, and on a page of unfamiliar letters.

All claims on one letter or gap are one place. Only a doubt that is graver than what is surely there
becomes a place of its own, to review: so nothing doubtful stands among the findings under a heading
that it may not deserve.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from crownlet.datasets.scribal.customs import Customs
from crownlet.infer.findings.customs import (
    DETACHED_LEG_LETTERS,
    accepted_by_customs,
    crowned_by_list,
    has_leg_of_yud_length,
    missing_by_list,
)
from crownlet.infer.findings.finding import HEADING_RANK, Finding
from crownlet.infer.findings.messages import gap_message, letter_message, letter_of_claim
from crownlet.infer.findings.page import page_finding
from crownlet.infer.findings.severity import Severity, opinions_on, severity_of
from crownlet.infer.findings.text import glyphs_in_text_places
from crownlet.infer.limits import limits_of
from crownlet.infer.records import Box, GapRecord, GlyphRecord, Measurement, PageRecord
from crownlet.infer.routing.judgement import seen_kinds

_LIMITS = limits_of("findings.letters")

UNFAMILIAR = "unfamiliar"

MIN_UNFAMILIAR_SHARE_OF_PAGE = _LIMITS.number("min_unfamiliar_share_of_page")
"""Share of unfamiliar letters from which the page itself is unfamiliar."""


def is_unfamiliar(record: PageRecord) -> bool:
    """Whether a page is unfamiliar as a whole."""
    count = sum(UNFAMILIAR in glyph.reasons for glyph in record.glyphs)
    return count > 1 and count >= MIN_UNFAMILIAR_SHARE_OF_PAGE * len(record.glyphs)


def unfamiliar_findings(record: PageRecord, customs: Customs) -> list[Finding]:
    """One finding for an unfamiliar page; none for pages with some unfamiliar letters."""
    if not is_unfamiliar(record):
        return []
    glyphs = tuple(glyph for glyph in record.glyphs if UNFAMILIAR in glyph.reasons)
    message = (
        f"{len(glyphs)} of {len(record.glyphs)} letters are unlike those that the networks know: "
    )
    message += "nothing said of them can be relied on."
    return [page_finding(UNFAMILIAR, glyphs, message, customs)]


LETTERS_TOUCH = "letters_touch"

_TEXT_KINDS = ("letter_swapped", "letter_extra", "shape_doubt")


@dataclass(frozen=True)
class Claim:
    """One claim on a place, with its severity."""

    kind: str
    severity: Severity
    sure: bool
    p: float | None

    @property
    def order(self) -> tuple[int, bool, float]:
        """Gravest first, then surest; what is counted or measured has no probability and counts as
        1."""
        return (
            HEADING_RANK[self.severity.heading],
            not self.sure,
            -(1.0 if self.p is None else self.p),
        )


def letter_findings(record: PageRecord, customs: Customs) -> list[Finding]:
    """A finding for each letter with a claim that the customs do not accept."""
    measured: dict[int, list[Measurement]] = {}
    for measurement in record.measurements:
        measured.setdefault(measurement.glyph, []).append(measurement)
    found, in_text_places = [], glyphs_in_text_places(record)
    touching = _touching_letters(record)
    by_page = (UNFAMILIAR,) if is_unfamiliar(record) else ()
    for glyph in record.glyphs:
        elsewhere = (*by_page, *(_TEXT_KINDS if glyph.glyph in in_text_places else ()))
        claims = [row for row in letter_claims(glyph, record, customs) if row.kind not in elsewhere]
        claims = [row for row in claims if not _listed_with_gap(row, glyph, touching)]
        found += [
            _letter_finding(glyph, rows, measured.get(glyph.glyph, ()))
            for rows in split_claims(claims)
        ]
    return found


def split_claims(claims: Sequence[Claim]) -> list[Sequence[Claim]]:
    """The claims on one place, gravest first, in one piece, or with the doubts that are graver than
    all sure claims as a piece of their own."""
    first = next((k for k, row in enumerate(claims) if row.sure), 0)
    return [part for part in (claims[:first], claims[first:]) if part]


def _touching_letters(record: PageRecord) -> dict[int, bool]:
    """Letters that touch by a listed gap, and whether surely: one contact is one place."""
    table: dict[int, bool] = {}
    for gap in record.gaps:
        if gap.route != "clear" and LETTERS_TOUCH in gap.reasons:
            sure = LETTERS_TOUCH in seen_kinds(gap)
            for glyph in (gap.right_glyph, gap.left_glyph):
                table[glyph] = table.get(glyph, False) or sure
    return table


def _listed_with_gap(row: Claim, glyph: GlyphRecord, touching: Mapping[int, bool]) -> bool:
    if row.kind != LETTERS_TOUCH or glyph.glyph not in touching:
        return False
    return touching[glyph.glyph] or not row.sure


def letter_claims(glyph: GlyphRecord, record: PageRecord, customs: Customs) -> list[Claim]:
    """All claims on a letter, gravest first, without those that these customs accept."""
    surely = seen_kinds(glyph)
    rows = [
        Claim(
            kind,
            _claim_severity(kind, glyph, record, customs),
            kind in surely,
            claim_probability(glyph, kind),
        )
        # Other customs than those of the inspection may ask about what these accepted.
        for kind in (*glyph.reasons, *glyph.accepted_doubts)
        if not accepted_by_customs(kind, glyph, record, customs)
    ]
    listed = missing_by_list(glyph, record, customs)
    if listed is not None and listed not in glyph.reasons:
        severity = Severity("custom", opinions_on(listed, glyph.judged_as))
        rows.append(Claim(listed, severity, False, None))
    return sorted(rows, key=lambda row: row.order)


def _claim_severity(
    kind: str, glyph: GlyphRecord, record: PageRecord, customs: Customs
) -> Severity:
    """The severity of one claim, which customs alone may have made worth a look."""
    severity = severity_of(kind, glyph.judged_as, customs, glyph.tags_seen)
    long_leg = (
        kind == "leg_short"
        and glyph.judged_as in DETACHED_LEG_LETTERS
        and has_leg_of_yud_length(glyph, record)
    )
    crowned = kind == "tag_excess" and crowned_by_list(glyph, record)
    return replace(severity, heading="custom") if long_leg or crowned else severity


def claim_probability(glyph: GlyphRecord, kind: str) -> float | None:
    """Probability of one claim on a letter; None where there is none."""
    if kind == "shape_doubt":
        return 1.0 - glyph.letter_p
    if kind in ("letter_swapped", "letter_extra"):
        return glyph.letter_p
    return glyph.p.get(kind)


def _letter_finding(
    glyph: GlyphRecord, claims: Sequence[Claim], measured: Iterable[Measurement]
) -> Finding:
    first = claims[0]
    return Finding(
        number=0, kind=first.kind, scope="glyph", glyphs=(glyph.glyph,), line=glyph.line,
        letter=letter_of_claim(first.kind, glyph), expected=glyph.expected, box=glyph.box,
        route="finding" if any(row.sure for row in claims) else "review", p=first.p,
        heading=first.severity.heading, opinions=first.severity.opinions,
        measurements=tuple(m for m in measured if m.defect == first.kind), in_name=glyph.in_name,
        message=letter_message(first.kind, glyph, first.sure),
        others=tuple(row.kind for row in claims[1:]), sure=first.sure,
    )  # fmt: skip


_LETTER_ABSENT = "letter_absent"


def gap_findings(record: PageRecord, customs: Customs) -> list[Finding]:
    """A finding for each gap at which two letters or words come too near, or a word parts."""
    number = {glyph.glyph: glyph for glyph in record.glyphs}
    found = []
    for gap in record.gaps:
        claims = _gap_claims(gap, customs)
        if gap.route == "clear" or not claims:
            continue
        ends = number[gap.right_glyph], number[gap.left_glyph]
        found += [_gap_finding(gap, *ends, rows) for rows in split_claims(claims)]
    return found


def _gap_finding(
    gap: GapRecord, right: GlyphRecord, left: GlyphRecord, claims: Sequence[Claim]
) -> Finding:
    first = claims[0]
    return Finding(
        number=0, kind=first.kind, scope="gap", glyphs=(right.glyph, left.glyph),
        line=gap.line, letter=None, expected=gap.expected, box=box_between(right.box, left.box),
        route="finding" if any(row.sure for row in claims) else "review", p=first.p,
        heading=first.severity.heading,
        opinions=first.severity.opinions, measurements=(), in_name=right.in_name or left.in_name,
        message=gap_message(first.kind, gap, right.letter, left.letter, first.sure),
        others=tuple(row.kind for row in claims[1:]), sure=first.sure,
    )  # fmt: skip


def _gap_claims(gap: GapRecord, customs: Customs) -> list[Claim]:
    """The claims on a gap; an absent letter beside it is a finding of its own."""
    p = {"words_joined": gap.p_words_joined, "word_parted": gap.p_word_parted,
         "letters_touch": gap.p_letters_touch}  # fmt: skip
    kinds = [kind for kind in gap.reasons if kind != _LETTER_ABSENT]
    surely = (gap.sure or kinds[:1]) if gap.route == "finding" else ()
    rows = [
        Claim(kind, severity_of(kind, None, customs), kind in surely, p.get(kind)) for kind in kinds
    ]
    return sorted(rows, key=lambda row: row.order)


def box_between(right: Box, left: Box) -> Box:
    """The box between two letters, at least 8 px wide, with the height of both."""
    x = sorted((left[2], right[0]))
    middle, half = (x[0] + x[1]) / 2, max(4.0, (x[1] - x[0]) / 2)
    return middle - half, min(left[1], right[1]), middle + half, max(left[3], right[3])

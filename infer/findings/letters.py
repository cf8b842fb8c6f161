"""Findings on single letters: all that is said of one letter is one place."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from crownlet.datasets.customs import Customs
from crownlet.infer.findings.crowns import crowned_by_list, wanting
from crownlet.infer.findings.finding import RANK, Finding
from crownlet.infer.findings.gravity import Weight, opinions_on, weigh
from crownlet.infer.findings.mishaps import told
from crownlet.infer.findings.sentences import letter_says
from crownlet.infer.findings.silence import DETACHED, of_yud_length, silent
from crownlet.infer.findings.strangers import UNFAMILIAR, strange
from crownlet.infer.measuring import Measurement
from crownlet.infer.records import GlyphRecord, PageRecord

_OF_TEXT = ("letter_swapped", "letter_extra", "shape_doubt")


@dataclass(frozen=True)
class Said:
    """One thing said of a place, with its weight."""

    kind: str
    weight: Weight
    sure: bool
    p: float | None

    @property
    def order(self) -> tuple[int, bool, float]:
        """Gravest first, then surest; what is counted or measured is as sure as can be."""
        return RANK[self.weight.heading], not self.sure, -(1.0 if self.p is None else self.p)


def letter_findings(record: PageRecord, customs: Customs) -> list[Finding]:
    """A finding for each letter of which something is said that the customs care about."""
    measured: dict[int, list[Measurement]] = {}
    for measurement in record.measurements:
        measured.setdefault(measurement.glyph, []).append(measurement)
    found, by_text = [], told(record)
    by_page = (UNFAMILIAR,) if strange(record) else ()
    for glyph in record.glyphs:
        elsewhere = (*by_page, *(_OF_TEXT if glyph.glyph in by_text else ()))
        said = [row for row in letter_said(glyph, record, customs) if row.kind not in elsewhere]
        if said:
            found.append(_finding(glyph, said, measured.get(glyph.glyph, ())))
    return found


def letter_said(glyph: GlyphRecord, record: PageRecord, customs: Customs) -> list[Said]:
    """Everything said of a letter, gravest first, without what these customs accept."""
    # A measure may since have sent a finding to review.
    surely = (glyph.sure or glyph.reasons[:1]) if glyph.route == "finding" else ()
    rows = [
        Said(kind, _weight(kind, glyph, record, customs), kind in surely, odds(glyph, kind))
        for kind in glyph.reasons
        if not silent(kind, glyph, record, customs)
    ]
    listed = wanting(glyph, record, customs)
    if listed is not None and listed not in glyph.reasons:
        weight = Weight("custom", "", opinions_on(listed, glyph.letter))
        rows.append(Said(listed, weight, False, None))
    return sorted(rows, key=lambda row: row.order)


def _weight(kind: str, glyph: GlyphRecord, record: PageRecord, customs: Customs) -> Weight:
    """The weight of one thing said, which customs alone may have made worth a look."""
    weight = weigh(kind, glyph.letter, customs, glyph.tags_seen)
    long_leg = kind == "leg_short" and glyph.letter in DETACHED and of_yud_length(glyph, record)
    crowned = kind == "tag_excess" and crowned_by_list(glyph, record)
    return replace(weight, heading="custom", code="") if long_leg or crowned else weight


def odds(glyph: GlyphRecord, kind: str) -> float | None:
    """Probability of one thing said of a letter; None where there is none."""
    if kind == "shape_doubt":
        return 1.0 - glyph.letter_p
    if kind in ("letter_swapped", "letter_extra"):
        return glyph.letter_p
    return glyph.p.get(kind)


def _finding(glyph: GlyphRecord, said: Sequence[Said], measured: Iterable[Measurement]) -> Finding:
    first = said[0]
    return Finding(
        number=0, kind=first.kind, scope="glyph", glyphs=(glyph.glyph,), line=glyph.line,
        letter=glyph.letter, expected=glyph.expected, box=glyph.box,
        route="finding" if any(row.sure for row in said) else "review", p=first.p,
        heading=first.weight.heading, code=first.weight.code, opinions=first.weight.opinions,
        measurements=tuple(m for m in measured if m.of == first.kind), in_name=glyph.in_name,
        says=letter_says(first.kind, glyph, first.sure),
        others=tuple(row.kind for row in said[1:]), sure=first.sure,
    )  # fmt: skip

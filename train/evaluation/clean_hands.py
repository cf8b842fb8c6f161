"""What is pointed at where nothing is planted: clean mezuzot by hands with forms of their own.

Held-out hands with such forms are as far from those of the books as real ones. What is listed on
their letters is a finding in vain, and what goes to review is a question in vain: both are given
per letter, as a reader meets them, by customs and with their kinds.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from crownlet.datasets.coco.truth import LetterTruth
from crownlet.datasets.render.page.spec import mezuzah
from crownlet.datasets.scribal.customs import Customs
from crownlet.infer.findings.collect import collect_findings
from crownlet.infer.findings.finding import doubted_claims, rows_of, seen_claims
from crownlet.infer.records import PageRecord
from crownlet.train.evaluation.held_out import HELD_OUT_FIRST_SEED, is_faultless, with_expected_tags
from crownlet.train.evaluation.matching import PageMatch, match_page
from crownlet.train.evaluation.workers import ReadingJob, ReadPage

CLEAN_BODY_PX = 48.0

CLEAN_FIRST_SEED = HELD_OUT_FIRST_SEED + 700_000

LARGE_SCOPES = ("text", "page")
"""Scopes of findings that are not of a letter or a gap."""


def clean_hand_pages(count: int) -> list[ReadingJob]:
    """Whole mezuzot without planted faults, crowned, one hand per page, scanned or photographed."""
    spec = mezuzah(
        CLEAN_BODY_PX, split="heldout", own_forms=True, crowned=1.0, defect_rate=0.0,
        second_rate=0.0, habit_rate=0.0, gap_rate=0.0, text_rate=0.0, morph_rate=0.0,
        oddity_rate=0.0, generous=0.0, close=0.0,
    )  # fmt: skip
    return [ReadingJob(spec, CLEAN_FIRST_SEED + k, ("mezuzah",)) for k in range(count)]


@dataclass
class CleanTally:
    """Counts over pages, added one by one."""

    pages: int = 0
    refused: int = 0
    letters: int = 0
    """Letters found that are faultless as written; a letter drawn out to fill its line is not."""
    findings: int = 0
    """Of these, letters listed as a finding."""
    reviews: int = 0
    """Of these, letters that are no finding and that a reader is asked about."""
    gap_findings: int = 0
    gap_reviews: int = 0
    others: Counter[str] = field(default_factory=Counter)
    """Findings in the text and of whole pages, by kind."""
    seen: Counter[str] = field(default_factory=Counter)
    doubted: Counter[str] = field(default_factory=Counter)
    """Claims on these letters and on gaps, by kind."""
    shares: list[float] = field(default_factory=list)
    """Share of letters listed as a finding, page by page."""

    def add(self, page: ReadPage, customs: Customs) -> None:
        """Count a page against its own text."""
        self.pages += 1
        if page.records is None:
            self.refused += 1
            return
        record = page.records[0]
        truth = [with_expected_tags(letter, customs) for letter in page.truth.letters]
        clean = _faultless_numbers(truth, record, match_page(truth, record.glyphs))
        routes = self._count_claims(record, customs, clean)
        found = sum(route == "finding" for route in routes.values())
        self.letters += len(clean)
        self.findings += found
        self.reviews += len(routes) - found
        self.shares.append(found / max(1, len(clean)))

    def _count_claims(
        self, record: PageRecord, customs: Customs, clean: frozenset[int]
    ) -> dict[int, str]:
        """The most urgent route of each letter of `clean` that is listed."""
        rows, routes = rows_of(record), dict[int, str]()
        for finding in collect_findings(record, customs):
            if finding.scope in LARGE_SCOPES:
                self.others.update([finding.kind] if finding.route == "finding" else [])
                continue
            if finding.scope == "gap":
                self.gap_findings += finding.route == "finding"
                self.gap_reviews += finding.route == "review"
            elif finding.glyphs[0] not in clean:
                continue
            elif routes.get(finding.glyphs[0]) != "finding":
                routes[finding.glyphs[0]] = finding.route
            self.seen.update(seen_claims(finding, rows))
            self.doubted.update(doubted_claims(finding, rows))
        return routes

    def card(self) -> dict[str, object]:
        """Plain values for the model card."""
        letters = max(1, self.letters)
        return {
            "pages": self.pages,
            "pages_refused": self.refused,
            "letters": self.letters,
            "findings_per_letter": self.findings / letters,
            "reviews_per_letter": self.reviews / letters,
            "gap_findings_per_letter": self.gap_findings / letters,
            "gap_reviews_per_letter": self.gap_reviews / letters,
            "worst_page_findings_per_letter": max(self.shares, default=None),
            "other_findings": dict(self.others.most_common()),
            "seen": dict(self.seen.most_common()),
            "doubted": dict(self.doubted.most_common()),
        }


def _faultless_numbers(
    truth: list[LetterTruth], record: PageRecord, match: PageMatch
) -> frozenset[int]:
    return frozenset(record.glyphs[j].glyph for i, j in match.pairs if is_faultless(truth[i]))


def measure_clean_hands(pages: Iterable[ReadPage], customs: Customs) -> dict[str, object]:
    """Findings and reviews per letter where nothing is planted, each kind with its count."""
    tally = CleanTally()
    for page in pages:
        tally.add(page, customs)
    return tally.card()

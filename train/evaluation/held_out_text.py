"""Faults of text and spacing on whole mezuzot by held-out hands, found by alignment."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict

import numpy as np

from crownlet.datasets.coco.truth import GapTruth, PageTruth
from crownlet.datasets.scribal.customs import Customs
from crownlet.infer.records import PageRecord
from crownlet.train.evaluation.defect_scores import NO_CASES, DefectCases, score_defect
from crownlet.train.evaluation.held_out import RouteTally, with_expected_tags
from crownlet.train.evaluation.matching import (
    LetterErrors,
    PageMatch,
    count_letter_errors,
    match_page,
)
from crownlet.train.evaluation.workers import ReadPage

GAP_DEFECTS = {"words_joined": "word", "word_parted": "letter"}

TEXT_DEFECTS = ("letter_swapped", "letter_absent", "letter_extra")


def measure_mezuzot(pages: Iterable[ReadPage], customs: Customs) -> dict[str, object]:
    """Letter errors, gap defects, how many faults of text were found and raised in vain, routes."""
    errors, routes = LetterErrors(), RouteTally()
    cases = dict.fromkeys(GAP_DEFECTS, NO_CASES)
    counts: list[dict[str, int]] = []
    number = 0
    for read in pages:
        number += 1
        page = read.truth
        if read.records is None:
            errors += count_letter_errors(page.letters, ())
            continue
        record = read.records[0]
        match = match_page(page.letters, record.glyphs)
        errors += count_letter_errors(page.letters, record.glyphs, match)
        for name in cases:
            cases[name] += gather_gap_cases(page, record, match, name)
        counts.append(count_text_faults(page, record, match))
        truth = [with_expected_tags(letter, customs) for letter in page.letters]
        routes.add(truth, record.glyphs, match)
    return {
        "pages": number,
        **errors.summary(),
        "gaps": {name: asdict(score_defect(found)) for name, found in cases.items()},
        "text": sum_counts(counts),
        "routing": routes.card(),
    }


def gather_gap_cases(
    page: PageTruth, record: PageRecord, match: PageMatch, name: str
) -> DefectCases:
    """Gaps of the kind (by the text) that can have the fault, with its probability."""
    seen = dict(match.pairs)
    rows = {(gap.right_glyph, gap.left_glyph): gap for gap in record.gaps}
    p, plainness = [], []
    for gap in page.gaps:
        if gap.expected != GAP_DEFECTS[name] or gap.right not in seen or gap.left not in seen:
            continue
        pair = (record.glyphs[seen[gap.right]].glyph, record.glyphs[seen[gap.left]].glyph)
        row = rows.get(pair)
        value = None if row is None else getattr(row, f"p_{name}")
        if value is not None:
            p.append(value)
            plainness.append(_plainness(gap, name))
    return DefectCases(np.array(p, np.float64), np.array(plainness, np.float64))


def _plainness(gap: GapTruth, name: str) -> float:
    return max((mark.plainness for mark in gap.defects if mark.name == name), default=0.0)


def count_text_faults(page: PageTruth, record: PageRecord, match: PageMatch) -> dict[str, int]:
    """Counts for one page: faults there, faults found, and findings where the text is right.

    An absent letter counts as found if one of the same name is missed within two glyphs of its
    place; an extra one if it or its like beside it is named extra. A letter whose class is doubtful
    is neither swapped nor raised in vain.
    """
    seen = dict(match.pairs)
    tally = dict.fromkeys(
        (f"{name}{part}" for name in TEXT_DEFECTS for part in ("", "_found", "_in_vain")), 0
    )
    _count_absent(page, record, seen, tally)
    explained: set[int] = set()
    for i, letter in enumerate(page.letters):
        if letter.expected is None:
            tally["letter_extra"] += 1
            beside = [seen[k] for k in (i - 1, i, i + 1) if k in seen]
            hits = [j for j in beside if record.glyphs[j].expected == "" and j not in explained]
            tally["letter_extra_found"] += bool(hits)
            explained.update(hits[:1])
        elif letter.share:
            explained.update([seen[i]] if i in seen else [])
        elif letter.letter != letter.expected:
            tally["letter_swapped"] += 1
            if i in seen and _is_swapped(record, seen[i]):
                tally["letter_swapped_found"] += 1
                explained.add(seen[i])
    for j, glyph in enumerate(record.glyphs):
        if j not in explained:
            tally["letter_extra_in_vain"] += glyph.expected == ""
            tally["letter_swapped_in_vain"] += bool(glyph.expected) and _is_swapped(record, j)
    return tally


def _count_absent(
    page: PageTruth, record: PageRecord, seen: dict[int, int], tally: dict[str, int]
) -> None:
    absent = list(record.match.absent) if record.match else []
    for before, missing in page.missing:
        tally["letter_absent"] += 1
        place = record.glyphs[seen[before]].glyph if before in seen else before + 1
        hit = next((a for a in absent if a.letter == missing and abs(a.after - place) <= 2), None)
        if hit is not None:
            tally["letter_absent_found"] += 1
            absent.remove(hit)
    tally["letter_absent_in_vain"] += len(absent)


def _is_swapped(record: PageRecord, j: int) -> bool:
    return "letter_swapped" in record.glyphs[j].reasons


def sum_counts(pages: Sequence[dict[str, int]]) -> dict[str, int]:
    """Counts added up by name."""
    names = dict.fromkeys(name for page in pages for name in page)
    return {name: sum(page.get(name, 0) for page in pages) for name in names}

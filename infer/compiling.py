"""Everything exact: from the letters seen to lines, whites, words, the text, and routes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from crownlet.datasets.alphabet import LETTERS
from crownlet.datasets.catalogue import CATALOGUE
from crownlet.infer import gaps, glyphs, matching, whites
from crownlet.infer.cautions import cut_by_frame, not_examined
from crownlet.infer.comparing import compared
from crownlet.infer.layout import Layout, lay_out
from crownlet.infer.measuring.disagreement import reviewed
from crownlet.infer.measuring.letters import Upright, measure_letters
from crownlet.infer.quality.judging import Judged, judge
from crownlet.infer.quality.measures import Measures
from crownlet.infer.records import Assessed, Floats, ImageFacts, Located, PageRecord, TextMatch
from crownlet.infer.seeing import Seen, Stopwatch
from crownlet.infer.summing import Reading, unsure
from crownlet.infer.thresholds import Thresholds
from crownlet.infer.turning import letters_back, points_back

if TYPE_CHECKING:
    from crownlet.datasets.customs import Customs
    from crownlet.infer.wanted import Wanted


@dataclass(frozen=True)
class Rules:
    """What a page is judged by: the learned defects' names, customs, thresholds, text if known."""

    learned: tuple[str, ...]
    customs: Customs
    thresholds: Thresholds
    portion: Wanted = None
    measured: bool = True
    """Whether lengths are taken and weighed against the networks."""


@dataclass(frozen=True)
class Ordered:
    """The letters of a page in reading order, with their whites."""

    layout: Layout
    found: Located
    assessed: Assessed
    measures: Measures
    odds: Floats
    letters: str
    measured: gaps.Measured
    opens: Floats


def compile_page(
    name: str, facts: ImageFacts, seen: Seen, rules: Rules, watch: Stopwatch
) -> PageRecord:
    """The record of one page, without versions."""
    with watch.stage("layout"):
        page = ordered(seen, rules.thresholds)
    with watch.stage("align"):
        matched, match = _matched(page, seen, rules)
    with watch.stage("route"):
        record = _routed(name, facts, seen, rules, page, matched, match)
    if not rules.measured:
        return record
    with watch.stage("measure"):
        upright = Upright(seen.flat, seen.turn, (facts.width, facts.height), facts.dpi)
        taken = measure_letters(upright, page.found, page.assessed.parts, record.glyphs)
        rows = reviewed(record.glyphs, taken, rules.thresholds)
    return replace(record, glyphs=rows, measurements=taken)


def ordered(seen: Seen, thresholds: Thresholds) -> Ordered:
    """Reading order, recognised letters and measured whites."""
    layout = lay_out(seen.found)
    found, assessed = seen.found.take(layout.order), seen.assessed.take(layout.order)
    odds = glyphs.letter_odds(found, assessed, thresholds.locator_weight)
    letters = glyphs.read_letters(odds)
    white = whites.measure(seen.fitted, seen.found, layout, letters)
    measured = gaps.judge(white, layout, thresholds)
    opens = gaps.opens(layout, measured)
    measures = seen.measures.take(layout.order)
    return Ordered(layout, found, assessed, measures, odds, letters, measured, opens)


def _matched(
    page: Ordered, seen: Seen, rules: Rules
) -> tuple[matching.Matched | None, TextMatch | None]:
    """The page against its text, named or found."""
    height, width = seen.flat.shape
    reading = Reading(
        page.odds, page.opens, page.letters, page.found, page.layout, (width, height),
        rules.thresholds.swapped_p,
    )  # fmt: skip
    return compared(reading, rules.portion)


def _routed(
    name: str,
    facts: ImageFacts,
    seen: Seen,
    rules: Rules,
    page: Ordered,
    matched: matching.Matched | None,
    match: TextMatch | None,
) -> PageRecord:
    limits, customs, learned = rules.thresholds, rules.customs, rules.learned
    judged = judge(
        page.measures, page.found, page.assessed, page.odds, limits.picture,
        doubted=seen.agreement < limits.doubted_agreement,
    )  # fmt: skip
    if match is not None and judged.strange_page:
        match = unsure(match)
    words = matching.words_by_gaps(page.opens)
    if matched is not None:
        words = matching.words_by_text(matched)
    given = letters_back(page.found, seen.turn, (facts.width, facts.height))
    rows = glyphs.glyph_rows(
        given, page.assessed, page.odds, page.layout.line, words, matched, learned, customs, limits,
        judged,
    )  # fmt: skip
    kinds = gaps.expected_kinds(page.layout, matched)
    absent = match.absent if match is not None else ()
    lost = {letter.after - 1 for letter in absent if letter.route == "finding"}
    touch = learned.index("letters_touch") if "letters_touch" in learned else None
    gap_rows = gaps.gap_rows(
        page.layout, page.measured, page.assessed, touch, kinds, lost, limits, judged
    )
    return PageRecord(
        name=name, image=facts, glyphs=rows, gaps=gap_rows,
        match=_turned(match, seen.turn, facts), turn=seen.turn,
        quality=quality(page, facts, seen.agreement, judged), unresolved=judged.unresolved,
        not_examined=not_examined(
            judged, limits, matched is not None, cut_by_frame(given, facts), _silent(customs),
            seen.agreement,
        ),
    )  # fmt: skip


def _turned(match: TextMatch | None, turn: int, facts: ImageFacts) -> TextMatch | None:
    """Places of the text moved from the upright page to the picture as given."""
    if match is None or not (match.absent or match.places):
        return match
    at = np.array([*(a.at for a in match.absent), *(p.at for p in match.places)])
    back = points_back(at, turn, (facts.width, facts.height))
    moved = [(float(x), float(y)) for x, y in back]
    count = len(match.absent)
    absent = tuple(replace(a, at=at) for a, at in zip(match.absent, moved[:count], strict=True))
    places = tuple(replace(p, at=at) for p, at in zip(match.places, moved[count:], strict=True))
    return replace(match, absent=absent, places=places)


def _silent(customs: Customs) -> tuple[str, ...]:
    """Letters that may carry crowns and of which the customs expect nothing."""
    crowned = CATALOGUE["tag_missing"].letters
    return tuple(c for c in LETTERS if c in crowned and customs.tags_expected(c) is None)


def quality(page: Ordered, facts: ImageFacts, agreement: float, judged: Judged) -> dict[str, float]:
    """Measures of the picture and the writing: px, q, and mm where the resolution is known."""
    q = float(np.median(page.found.body[:, 2])) / 3
    measures = {
        "q_px": q,
        "body_px": 3 * q,
        "tilt_degrees": float(np.rad2deg(np.arctan(page.layout.slope))),
        "lines": float(page.layout.line.max() + 1),
        "columns": float(page.layout.column.max() + 1),
        "yud_q": page.measured.whites.yud,
        "agreement": agreement,
        "unfamiliar_share": judged.unfamiliar_share,
        **page.measures.summary(),
    }
    if facts.dpi:
        measures["q_mm"] = q / facts.dpi * 25.4
    return {key: round(value, 3) for key, value in measures.items()}

"""Findings on the layout of a page: edges of columns, pitch of lines, and what customs ask of both.

On 200 mezuzot of seeds never used before, rendered without a fault, by held-out hands and scanned
at 34 to 52 px, 31 had such a finding. By the renderer's own boxes so were all twelve uneven
margins, both lines over the margin, nine of twelve near lines (three more were missed), and
five of seven hands with narrow words (the two within 0.03 yuds of the limit, one missed).
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from crownlet.datasets.files.images import ImageFacts
from crownlet.datasets.scribal.customs import Customs
from crownlet.infer.findings.columns import Column, Edge, Line, column_edges, columns_of
from crownlet.infer.findings.finding import Finding
from crownlet.infer.findings.forms import chet_findings, size_findings
from crownlet.infer.findings.page import (
    first_letter_of_word,
    letters_of,
    name_lines,
    page_finding,
    portion_of,
)
from crownlet.infer.findings.spacing import break_findings, verse_findings, word_findings
from crownlet.infer.findings.text import REVERSE, reverse_findings, start_findings
from crownlet.infer.limits import limits_of
from crownlet.infer.records import Floats, GlyphRecord, PageRecord

_LIMITS = limits_of("findings.layout")

MIN_FULL_LINES = _LIMITS.whole("min_full_lines")
"""An edge of fewer full lines is not examined."""

UNEVEN_EDGE_SPREAD_Q = _LIMITS.by_name("uneven_edge_spread_q")
"""Spread of an edge in q, without its tenths, from which it is uneven. At the right a line
begins; at the left it ends, and scribes' lines differ there by a letter."""

LINE_OVER_MARGIN_Q, MAX_LINES_OVER_MARGIN = (
    _LIMITS.number("line_over_margin_q"),
    _LIMITS.whole("max_lines_over_margin"),
)
"""A line over the margin passes the usual edge by at least this many q; with more such lines than
`MAX_LINES_OVER_MARGIN` the edge is no even one."""

MIN_EDGE_DRIFT_Q, MIN_EXPLAINED_VARIANCE = (
    _LIMITS.number("min_edge_drift_q"),
    _LIMITS.number("min_explained_variance"),
)
"""An edge has a shape if it moves by at least this many q, and at least this share of its variance
is one straight line or one bow."""

MAX_SIZE_CHANGE_SHARE = _LIMITS.number("max_size_change_share")
"""Letters that change size by more than this share from top to bottom were photographed aslant."""

NARROWING_NOT_EXAMINED = (
    "whether the block of writing narrows or widens: the letters change size from top to bottom, "
    "as in a picture taken aslant"
)


def edge_findings(
    column: Column, facts: ImageFacts, customs: Customs, breaks: frozenset[int]
) -> list[Finding]:
    """Findings on both edges of a column; `breaks` are lines at which a portion ends or begins."""
    found: list[Finding] = []
    aslant = letters_change_size(column)
    for edge in column_edges(column, facts, breaks):
        if len(edge.lines) < MIN_FULL_LINES:
            continue
        whole = (None if aslant else _edge_shape(edge, customs)) or _uneven_edge(edge, customs)
        found += [whole] if whole is not None else _lines_over_margin(edge, customs)
    return found


def letters_change_size(column: Column) -> bool:
    """Whether the letters grow or shrink down the column, so that its shape cannot be known."""
    size = np.array([line.q for line in column.lines])
    if len(size) < MIN_FULL_LINES:
        return False
    slope = np.polyfit(np.arange(len(size)), size, 1)[0]
    return bool(abs(slope) * len(size) > MAX_SIZE_CHANGE_SHARE * np.median(size))


def _edge_shape(edge: Edge, customs: Customs) -> Finding | None:
    """A tent or a tail (a straight edge in or out) or a circle (a bow); None without a shape."""
    for degree, words in ((1, "{} line by line"), (2, "in a bow, {} in the middle")):
        # One indented line at an end is no shape: a shape remains without the first and the last.
        parts = [_follows_curve(edge.at[cut], edge.out[cut], degree) for cut in _EDGE_PARTS]
        if not all(parts):
            continue
        way = np.polyval(np.polyfit(edge.at, edge.out, degree), edge.at)
        outward = way[-1] > way[0] if degree == 1 else way[len(way) // 2] > way[0]
        how = words.format("outward" if outward else "inward")
        message = (
            f"The {edge.side} edge of the column moves {how}, by {np.ptp(way):.1f} kulmus in all."
        )
        return page_finding("block_narrowing", letters_of(edge.lines), message, customs)
    return None


_EDGE_PARTS = (slice(None), slice(1, None), slice(None, -1))


def _follows_curve(at: Floats, out: Floats, degree: int) -> bool:
    """Whether an edge (N lines `at`, N q `out`) moves far, and along a curve of this degree."""
    way = np.polyval(np.polyfit(at, out, degree), at)
    left_over = float(np.var(out - way)) / max(float(np.var(out)), 1e-9)
    return float(np.ptp(way)) >= MIN_EDGE_DRIFT_Q and 1 - left_over >= MIN_EXPLAINED_VARIANCE


def _uneven_edge(edge: Edge, customs: Customs) -> Finding | None:
    if edge.spread < UNEVEN_EDGE_SPREAD_Q[edge.side]:
        return None
    verb = "begin" if edge.side == "right" else "end"
    message = f"The lines of the column {verb} unevenly: their {edge.side} edges differ by "
    message += f"{edge.spread:.1f} kulmus."
    return page_finding("margin_uneven", letters_of(edge.lines), message, customs)


def _lines_over_margin(edge: Edge, customs: Customs) -> list[Finding]:
    """Lines of an otherwise even edge that pass it; too many of them are no exception."""
    past = edge.past
    over = [k for k in range(len(past)) if past[k] >= LINE_OVER_MARGIN_Q]
    if not over or len(over) > MAX_LINES_OVER_MARGIN:
        return []
    return [
        page_finding(
            "line_over_margin", edge.lines[k].glyphs,
            f"{name_lines([edge.lines[k].number]).capitalize()} runs {past[k]:.1f} kulmus past the "
            f"{edge.side} edge of the others.", customs,
        )
        for k in over
    ]  # fmt: skip


MIN_LINE_PITCH_Q = _LIMITS.number("min_line_pitch_q")
"""Ruled lines nearer than this, in q, leave a gap of less than 1.2 q, two fifths of the height of a
letter, where the rule is the whole of it, 6 q from line to line (OC 32:32 gloss). Even hands of a
usual kind have 4.5 to 7."""

MIN_SHARE_OF_USUAL_PITCH = _LIMITS.number("min_share_of_usual_pitch")
"""Two lines nearer than this share of the page's usual pitch are near for their page."""

MIN_REACH_Q = _LIMITS.number("min_reach_q")
"""Reach into a letter of another line, in q, above which it is listed: half of the body's
height."""

MIN_OVERLAP_Q = _LIMITS.number("min_overlap_q")
"""Overlap in q along the line from which two letters stand one above the other."""

MIN_LETTERS_OF_LINE = _LIMITS.whole("min_letters_of_line")
"""A line of fewer letters is a piece at the frame, or no line."""

MAX_LINES_NAMED = 4
"""Lines named one by one; of more only the number is given."""


def pitch_findings(column: Column, customs: Customs) -> list[Finding]:
    """One finding for each column in which lines are near."""
    pairs = list(pairwise(line for line in column.lines if len(line.glyphs) >= MIN_LETTERS_OF_LINE))
    if not pairs:
        return []
    pitch = np.array([line_pitch_q(above, below) for above, below in pairs])
    usual = float(np.median(pitch))
    min_pitch = max(MIN_LINE_PITCH_Q, MIN_SHARE_OF_USUAL_PITCH * usual)
    near = [k for k in range(len(pairs)) if pitch[k] < min_pitch]
    reaching = [g for above, below in pairs for g in reaching_letters(above, below)]
    if not near and not reaching:
        return []
    return [_lines_near(pairs, pitch, near, reaching, customs)]


def line_pitch_q(above: Line, below: Line) -> float:
    """Distance of two lines in q, from each letter to the nearest one above it, as lines may
    bow."""
    nearest = np.abs(below.u[:, None] - above.u[None, :]).argmin(axis=1)
    return float(np.median(below.v - above.v[nearest])) * 2 / (above.q + below.q)


def reaching_letters(above: Line, below: Line) -> list[GlyphRecord]:
    """Letters of either line that reach deep into the body of a letter of the other."""
    found = []
    for own, other in ((below, above), (above, below)):
        deep = reach_px(own, other).max(axis=1) > MIN_REACH_Q * own.q
        found += [glyph for glyph, far in zip(own.glyphs, deep, strict=True) if far]
    return found


def reach_px(own: Line, other: Line) -> Floats:
    """(N, M) px by which the ink of each letter reaches into the body of each of another line.

    0 where the two do not stand one above the other.
    """
    left, top, right, bottom = own.ink.T[:, :, None]
    body = np.array([glyph.height for glyph in other.glyphs]) / 2
    beside = np.minimum(right, other.ink[:, 2]) - np.maximum(left, other.ink[:, 0])
    depth = np.minimum(bottom, other.v + body) - np.maximum(top, other.v - body)
    return np.where(beside < MIN_OVERLAP_Q * own.q, 0.0, depth)


def _lines_near(
    pairs: list[tuple[Line, Line]],
    pitch: Floats,
    near: list[int],
    reaching: list[GlyphRecord],
    customs: Customs,
) -> Finding:
    sentences = []
    if near:
        least = float(pitch[near].min())
        gap = max(0.0, least - 3.0)
        lines = [pairs[k][1].number for k in near]
        where = (
            name_lines(lines).capitalize() if len(near) <= MAX_LINES_NAMED else f"{len(near)} lines"
        )
        verb = "follows" if len(near) == 1 else "follow"
        sentences.append(
            f"{where} {verb} the one above with a gap of {gap:.1f} kulmus between them at the "
            f"least; a letter is 3 high."
        )
    if reaching:
        one = len(reaching) == 1
        sentences.append(
            f"{len(reaching)} letter{'' if one else 's'} reach{'es' if one else ''} more than "
            f"{MIN_REACH_Q:g} kulmus into a letter of another line."
        )
    crowded = {line.number: line for k in near for line in pairs[k]}
    glyphs = letters_of(crowded[n] for n in sorted(crowded)) if near else tuple(reaching)
    return page_finding("lines_near", glyphs, " ".join(sentences), customs)


def layout_findings(record: PageRecord, customs: Customs) -> list[Finding]:
    """Findings of scope `page`, without those for which the picture is too poor."""
    columns = columns_of(record)
    found: list[Finding] = []
    for column in () if _is_reverse(record) else columns:
        found += edge_findings(column, record.image, customs, lines_at_portion_ends(record))
        found += pitch_findings(column, customs)
    found += word_findings(record, customs)
    found += break_findings(record, columns, customs)
    for look in (start_findings, size_findings, verse_findings, reverse_findings, chet_findings):
        found += look(record, customs)
    return [finding for finding in found if finding.kind not in record.unresolved]


def lines_at_portion_ends(record: PageRecord) -> frozenset[int]:
    """Lines at which a portion of the text ends or begins, so that they may be short."""
    text = portion_of(record)
    firsts = (
        [first_letter_of_word(record, word) for word in (0, *text.opens)]
        if text is not None
        else []
    )
    return frozenset(n for first in firsts if first for n in (first.line - 1, first.line))


def _is_reverse(record: PageRecord) -> bool:
    """Whether the page is the back of a mezuzah, whose two lines are no column."""
    text = portion_of(record)
    return text is not None and text.name == REVERSE

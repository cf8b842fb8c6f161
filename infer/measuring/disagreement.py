"""Where network and measure contradict each other, the letter goes to review.

Only measures that were shown to be right do so; the numbers stand in `TRUSTED`. A measure never
makes a finding and never clears a letter.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import replace

from crownlet.infer.measuring.measurement import Measurement
from crownlet.infer.records import GlyphRecord
from crownlet.infer.routing import EXTRA, SWAPPED
from crownlet.infer.thresholds import Thresholds

TRUSTED = frozenset(
    {"part_loose", "heads_touch", "leg_touches_roof", "ring_open", "ring_closed", "foot_level"}
)
"""Defects of which the measure is heard.

On seeds never used before, 300 pages by held-out hands, photographed or scanned, worn and faded, 30
to 90 px: of 47,857 letters without a fault 74 went to review by the measure alone (0.15%, 43 of
them drops of pe); of 1,544 faulty ones that the networks had cleared, nearly all too faint to be
seen, it brought back 59, of the 91 plain ones one. Of the networks' findings it denied 4 of 367,
all of them real. On 100 clean pages at 64 px it sent none of 18,446 letters. Whites at tags are not
heard, since hairline stems are often too pale to say anything, nor whites across strokes, which
worn ink has as well (0.1% of the letters), nor lengths, heels and points, in which hands and
customs differ.
"""


def reviewed(
    rows: tuple[GlyphRecord, ...], measurements: Iterable[Measurement], thresholds: Thresholds
) -> tuple[GlyphRecord, ...]:
    """The rows with the letters sent to review on which the two do not agree."""
    by_letter: dict[int, list[Measurement]] = defaultdict(list)
    for measurement in measurements:
        if measurement.of in TRUSTED:
            by_letter[measurement.glyph].append(measurement)
    return tuple(
        _row(row, by_letter[row.glyph], thresholds) if row.glyph in by_letter else row
        for row in rows
    )


def _row(row: GlyphRecord, taken: list[Measurement], thresholds: Thresholds) -> GlyphRecord:
    said: dict[str, set[str]] = defaultdict(set)
    for measurement in taken:
        said[measurement.of].add(measurement.says)
    missed, doubted = [], set()
    for name, says in said.items():
        p = row.p.get(name)
        if p is None or name in row.not_examined:
            continue
        border = thresholds.of(name)
        if p < border.clear and "there" in says:
            missed.append(name)
        elif p >= border.finding and says == {"not_there"}:
            doubted.add(name)
    reasons = tuple(dict.fromkeys((*row.reasons, *missed)))
    route = row.route
    if missed and route == "clear":
        route = "review"
    if route == "finding" and doubted and _findings(row, thresholds) <= doubted:
        route = "review"
    return replace(row, route=route, reasons=reasons)


def _findings(row: GlyphRecord, thresholds: Thresholds) -> set[str]:
    """Reasons that by themselves make the letter a finding."""
    sure = {
        name
        for name in row.reasons
        if (p := row.p.get(name)) is not None and p >= thresholds.of(name).finding
    }
    # What was read against the text is no matter of measuring.
    return sure | ({SWAPPED, EXTRA} & set(row.reasons))

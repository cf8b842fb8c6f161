"""Lines too near each other, and letters that reach far into those of the line above or below."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from crownlet.datasets.customs import Customs
from crownlet.infer.findings.finding import Finding
from crownlet.infer.findings.lines import Block, Line
from crownlet.infer.findings.paging import counted, letters_of, page_finding
from crownlet.infer.records import Floats, GlyphRecord

NEAR = 4.2
"""Ruled lines nearer than this, in q, leave white of less than 1.2 q, two fifths of the height of a
letter, where the rule is the whole of it, 6 q from line to line (OC 32:32 gloss). Even hands of a
usual kind have 4.5 to 7."""
UNEVEN = 0.8
"""Two lines are near for their page from this share of its usual distance down."""
DEEP = 1.5
"""A letter reaches far into one of another line from this many q on: half of the body's height."""
ASIDE = 0.3
"""Overlap in q along the line from which two letters stand one above the other."""
FEW = 4
"""A line of fewer letters is a piece at the frame, or no line."""
NAMED = 4
"""Lines named one by one; of more only the number is said."""


def level_findings(block: Block, customs: Customs) -> list[Finding]:
    """One finding for each column in which lines are near."""
    pairs = list(pairwise(line for line in block.lines if len(line.glyphs) >= FEW))
    if not pairs:
        return []
    pitch = np.array([distance(above, below) for above, below in pairs])
    usual = float(np.median(pitch))
    border = max(NEAR, UNEVEN * usual)
    near = [k for k in range(len(pairs)) if pitch[k] < border]
    reaching = [g for above, below in pairs for g in reaching_letters(above, below)]
    if not near and not reaching:
        return []
    return [_finding(pairs, pitch, near, reaching, customs)]


def distance(above: Line, below: Line) -> float:
    """Distance of two lines in q, letter against the nearest letter above it; lines may bow."""
    nearest = np.abs(below.u[:, None] - above.u[None, :]).argmin(axis=1)
    return float(np.median(below.v - above.v[nearest])) * 2 / (above.q + below.q)


def reaching_letters(above: Line, below: Line) -> list[GlyphRecord]:
    """Letters of either line that reach deep into the body of a letter of the other."""
    found = []
    for own, other in ((below, above), (above, below)):
        deep = reach(own, other).max(axis=1) > DEEP * own.q
        found += [glyph for glyph, far in zip(own.glyphs, deep, strict=True) if far]
    return found


def reach(own: Line, other: Line) -> Floats:
    """(N, M) how far the ink of each letter reaches into the body of each of another line, px.

    0 where the two do not stand one above the other.
    """
    left, top, right, bottom = own.ink.T[:, :, None]
    body = np.array([glyph.body[2] for glyph in other.glyphs]) / 2
    beside = np.minimum(right, other.ink[:, 2]) - np.maximum(left, other.ink[:, 0])
    depth = np.minimum(bottom, other.v + body) - np.maximum(top, other.v - body)
    return np.where(beside < ASIDE * own.q, 0.0, depth)


def _finding(
    pairs: list[tuple[Line, Line]],
    pitch: Floats,
    near: list[int],
    reaching: list[GlyphRecord],
    customs: Customs,
) -> Finding:
    says = []
    if near:
        least = float(pitch[near].min())
        white = max(0.0, least - 3.0)
        lines = [pairs[k][1].number for k in near]
        where = counted(lines).capitalize() if len(near) <= NAMED else f"{len(near)} lines"
        verb = "follows" if len(near) == 1 else "follow"
        says.append(
            f"{where} {verb} the one above with a white of {white:.1f} kulmus between them at the "
            f"least; a letter is 3 high."
        )
    if reaching:
        one = len(reaching) == 1
        says.append(
            f"{len(reaching)} letter{'' if one else 's'} reach{'es' if one else ''} more than "
            f"{DEEP:g} kulmus into a letter of another line."
        )
    crowded = {line.number: line for k in near for line in pairs[k]}
    glyphs = letters_of(crowded[n] for n in sorted(crowded)) if near else tuple(reaching)
    return page_finding("lines_near", glyphs, " ".join(says), customs)

"""Every place on a page that an examiner should look at, numbered once for pictures and lists."""

from __future__ import annotations

from dataclasses import dataclass

from crownlet.infer.plain import absent_words, gap_words, glyph_words, where
from crownlet.infer.records import Box, GlyphRecord, PageRecord, Route

SHOWN = 12
"""Places shown with a crop for each page; the rest are in the picture and the tables."""


@dataclass(frozen=True)
class Place:
    """A place to look at: a letter, a white or an absent letter."""

    number: int
    route: Route
    box: Box
    """px of the picture as given."""
    text: str
    where: str
    p: float
    """Probability of the first reason; 1 for what follows from the text alone."""
    reasons: tuple[str, ...]
    glyph: int
    """The letter it belongs to, or the one before it."""
    in_name: bool = False


def places(page: PageRecord) -> tuple[Place, ...]:
    """All findings and reviews of a page in reading order, numbered from 1."""
    rows = sorted([*_letters(page), *_gaps(page), *_absent(page)], key=lambda row: row.glyph)
    return tuple(
        Place(number, r.route, r.box, r.text, r.where, r.p, r.reasons, r.glyph, r.in_name)
        for number, r in enumerate(rows, start=1)
    )


def shown(marks: tuple[Place, ...]) -> list[Place]:
    """The places to show first: findings before reviews, the surest first."""
    return sorted(marks, key=lambda m: (m.route != "finding", -m.p, m.number))[:SHOWN]


def _letters(page: PageRecord) -> list[Place]:
    return [
        Place(0, g.route, g.box, glyph_words(g), where(g), _odds(g), g.reasons,
              g.glyph, g.in_name)
        for g in page.glyphs if g.route != "clear"
    ]  # fmt: skip


def _odds(glyph: GlyphRecord) -> float:
    """Probability of a letter's first reason."""
    if glyph.reasons[0] == "shape_doubt":
        return 1.0 - glyph.letter_p
    if glyph.reasons[0] in ("letter_swapped", "letter_extra"):
        return glyph.letter_p
    return _sure(glyph.p.get(glyph.reasons[0]))


def _gaps(page: PageRecord) -> list[Place]:
    found = []
    for gap in page.gaps:
        reasons = tuple(name for name in gap.reasons if name != "letter_absent")
        if gap.route == "clear" or not reasons:
            continue
        p = {"words_joined": gap.p_words_joined, "word_parted": gap.p_word_parted,
             "letters_touch": gap.p_letters_touch}  # fmt: skip
        right, left = page.glyphs[gap.right_glyph - 1], page.glyphs[gap.left_glyph - 1]
        box = _between(right.box, left.box)
        at = f"line {gap.line}, between letters {right.glyph} and {left.glyph}"
        row = Place(0, gap.route, box, gap_words(gap), at, _sure(p.get(reasons[0])), reasons,
                    right.glyph, right.in_name or left.in_name)  # fmt: skip
        found.append(row)
    return found


def _absent(page: PageRecord) -> list[Place]:
    if page.match is None:
        return []
    half = 1.5 * page.q
    return [
        Place(0, a.route, (a.at[0] - half, a.at[1] - half, a.at[0] + half, a.at[1] + half),
              absent_words(a), f"line {a.line}", 1.0, ("letter_absent",), a.after, a.in_name)
        for a in page.match.absent
    ]  # fmt: skip


def _between(right: Box, left: Box) -> Box:
    """The white between two letters, at least a few px wide, with the height of both."""
    x = sorted((left[2], right[0]))
    middle, half = (x[0] + x[1]) / 2, max(4.0, (x[1] - x[0]) / 2)
    return middle - half, min(left[1], right[1]), middle + half, max(left[3], right[3])


def _sure(p: float | None) -> float:
    return 1.0 if p is None else p

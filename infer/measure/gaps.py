"""Gaps between a piece of a letter and its other ink: a yud, a foot, a tag, the leg of he.

A letter is one body but for the left leg of he and kuf (Orach Chayim 36:2), so each further piece
of its ink is measured: the shortest way over the gap, edge to edge.
"""

from __future__ import annotations

import cv2
import numpy as np

from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.infer.limits import limits_of
from crownlet.infer.measure import edges
from crownlet.infer.measure.edges import gap_edges, shows_skin
from crownlet.infer.measure.ink import Length, LetterInk, Mask, Piece
from crownlet.infer.records import Floats

_LIMITS = limits_of("measure.gaps")

HANGING_LEG_LETTERS = "הק"
"""Letters whose left leg hangs free."""

HANGING_LEG_END_Q = _LIMITS.number("hanging_leg_end_q")
"""A hanging leg ends lower than this, in q below the ruled line, and has at least
`MIN_HANGING_LEG_AREA_SQUARE_Q` of ink."""

MIN_HANGING_LEG_AREA_SQUARE_Q = _LIMITS.number("min_hanging_leg_area_square_q")

MIN_TAG_SHARE_OF_PIECE = _LIMITS.number("min_tag_share_of_piece")
"""A piece is a tag if the mean of the tag mask on it is larger than this .."""

MAX_TAG_AREA_SQUARE_Q = _LIMITS.number("max_tag_area_square_q")
""".. or if it stands above the line and has less ink than this, in square q: tags are at most 2 q
high and 0.2 q thick."""

TAG_STEM_REACH_Q = _LIMITS.number("tag_stem_reach_q")
"""Distance, in q, to the shortest way over the gap within which the hairline stem of a tag, pale
where it is blurred, may stand."""

TAGS_BOTTOM_Q = _LIMITS.by_name("tags_bottom_q")
"""What ends above this, in q below the ruled line, may be a tag; lamed's stand on its high head."""

LEG_CONTACT_RIGHT_Q, LEG_CONTACT_RANGE_Q, LEG_BOTTOM_Q = (
    _LIMITS.number("leg_contact_right_q"),
    _LIMITS.span("leg_contact_range_q"),
    _LIMITS.number("leg_bottom_q"),
)
"""Where a left leg that runs into the roof is looked for, in q of the letter's frame: its right
end, the rows of the contact, and the row down to which the leg shows below it."""

HEAD_EDGE_MARGIN_Q = _LIMITS.number("head_edge_margin_q")
"""Ink higher above the head's edge than this, in q, is a tag's."""


def gap_lengths(ink: LetterInk) -> list[Length]:
    """Gaps around all pieces but the largest; for he and kuf also that above a leg which
    touches."""
    leg = hanging_leg(ink)
    found = []
    for piece in ink.pieces[1:]:
        name, defect = ("leg_gap", "leg_touches_roof") if piece is leg else _gap_kind(ink, piece)
        if defect is not None:
            found.append(_piece_gap(ink, piece, name, defect))
    if leg is None and ink.letter in HANGING_LEG_LETTERS:
        found.extend(_leg_contact(ink))
    return found


def hanging_leg(ink: LetterInk) -> Piece | None:
    """The left leg of he or kuf, if it stands apart: the largest piece under the roof."""
    if ink.letter not in HANGING_LEG_LETTERS:
        return None
    low = [
        p
        for p in ink.pieces[1:]
        if p.y1 > ink.row(HANGING_LEG_END_Q)
        and p.area > MIN_HANGING_LEG_AREA_SQUARE_Q * ink.scale**2
    ]
    return low[0] if low else None


def _gap_kind(ink: LetterInk, piece: Piece) -> tuple[str, str | None]:
    """Name of the gap around a piece, and the defect that it is evidence of."""
    if _piece_is_tag(ink, piece):
        return "tag_gap", "tag_loose" if CATALOGUE["tag_loose"].applies_to(ink.letter) else None
    if CATALOGUE["part_loose"].applies_to(ink.letter):
        return "part_gap", "part_loose"
    applies = CATALOGUE["stroke_broken"].applies_to(ink.letter)
    return "break_gap", "stroke_broken" if applies else None


def _piece_is_tag(ink: LetterInk, piece: Piece) -> bool:
    window = (slice(piece.y0, piece.y1), slice(piece.x0, piece.x1))
    share = float(ink.tag_mask[window][ink.labels[window] == piece.label].mean())
    above = piece.y1 < ink.row(TAGS_BOTTOM_Q["ל" if ink.letter == "ל" else ""])
    return share > MIN_TAG_SHARE_OF_PIECE or (
        above and piece.area < MAX_TAG_AREA_SQUARE_Q * ink.scale**2
    )


def _piece_gap(ink: LetterInk, piece: Piece, name: str, defect: str) -> Length:
    """The shortest way over the gap between a piece and the other ink of its letter."""
    others = ink.mask_of(tuple(p for p in ink.pieces if p is not piece))
    if name == "tag_gap":
        others = _without_tags(ink, others)
    near, far = nearest_pixels(ink.mask_of((piece,)), others)
    return gap_between(
        ink, name, defect, near, far, TAG_STEM_REACH_Q * ink.scale if name == "tag_gap" else 0.0
    )


def _without_tags(ink: LetterInk, others: Mask) -> Mask:
    """This ink without its tags: the tags beside a loose one are nearer to it than the head."""
    top, _ = edges.head_top_edge(ink)
    head = others * (np.arange(len(others))[:, None] >= top - HEAD_EDGE_MARGIN_Q * ink.scale)
    return head.astype(np.uint8) if head.any() else others


def gap_between(
    ink: LetterInk, name: str, defect: str, near: Floats, far: Floats, beside: float = 0.0
) -> Length:
    """The gap between two points (2,) that lie in ink; ink up to `beside` px away may bridge it."""
    start, end = gap_edges(ink.dark, near, far)
    size = float(np.hypot(*(end - start))) / ink.scale
    return Length(name, defect, size, start, end, shows_skin(ink.dark, start, end, beside))


def nearest_pixels(one: Mask, other: Mask) -> tuple[Floats, Floats]:
    """Middles (2,) of the two nearest pixels of two masks (h, w), px."""
    away, places = cv2.distanceTransformWithLabels(
        1 - other, cv2.DIST_L2, cv2.DIST_MASK_PRECISE, labelType=cv2.DIST_LABEL_PIXEL
    )
    columns, rows = cv2.findNonZero(one).reshape(-1, 2).T
    k = int(away[rows, columns].argmin())
    i, j = int(rows[k]), int(columns[k])
    m, n = divmod(int(((places == places[i, j]) & (other > 0)).argmax()), other.shape[1])
    return np.array([j + 0.5, i + 0.5]), np.array([n + 0.5, m + 0.5])


def _leg_contact(ink: LetterInk) -> list[Length]:
    """A gap of 0 where the left leg runs into the roof, at the narrowest place of the ink."""
    left = ink.column(LEG_CONTACT_RIGHT_Q)
    rows = slice(ink.row(LEG_CONTACT_RANGE_Q[0]), ink.row(LEG_CONTACT_RANGE_Q[1]))
    zone = ink.own_mask[rows, :left]
    below = ink.own_mask[ink.row(LEG_CONTACT_RANGE_Q[1]) : ink.row(LEG_BOTTOM_Q), :left]
    if not zone.any() or not below.any():
        return []
    wide = zone.sum(axis=1)
    if not wide.all():
        return []
    row = int(wide.argmin())
    x = float(np.flatnonzero(zone[row]).mean()) + 0.5
    point = np.array([x, rows.start + row + 0.5])
    return [Length("leg_gap", "leg_touches_roof", 0.0, point, point)]

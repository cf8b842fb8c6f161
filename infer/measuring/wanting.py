"""Lengths of nought: a white that the networks suspect and that is not there, a tag wanting.

A ruler of no length points at the place.
"""

from __future__ import annotations

import cv2
import numpy as np

from crownlet.infer.measuring import crowns, seats
from crownlet.infer.measuring.cutting import ROOM
from crownlet.infer.measuring.ink import LetterInk
from crownlet.infer.measuring.length import Length
from crownlet.infer.records import Floats, GlyphRecord

SUSPECTED = 0.05
"""From this probability on a white that is not found is listed as one of 0 q."""
SHORT = 0.4
"""Ink that ends by more than this, in q, before the letter's box lacks a part, which was taken for
another letter's: of a white before it nothing can be said."""
FIRM, PART = 0.85, 0.15
"""Share of ink's darkness, and area in square q of a part: where only paler ink than the one holds
two such parts together, blur may have closed a white between them."""
WHITES = (("part_gap", "part_loose", "joint"), ("tag_gap", "tag_loose", "tag"))


def wanting(ink: LetterInk, row: GlyphRecord, found: list[Length]) -> list[Length]:
    """What `found`, the lengths measured on a letter, lacks."""
    names = {length.name for length in found}
    absent = []
    for name, of, part in WHITES if _fills(ink) else ():
        if name not in names and (row.p.get(of) or 0.0) >= SUSPECTED:
            place = _middle(ink, part)
            absent.append(Length(name, of, 0.0, place, place, sure=not _held_by_blur(ink)))
    seen = sum(length.name == "tag_height" for length in found)
    merged = (row.p.get("tag_merged") or 0.0) >= SUSPECTED
    if row.tags_expected and seen < row.tags_expected and not merged:
        absent += _tags(ink, row.tags_expected)
    return absent


def _fills(ink: LetterInk) -> bool:
    """Whether the letter's own ink reaches as far as its box on every side."""
    tall, wide = ink.dark.shape
    left, top = min(p.x0 for p in ink.pieces), min(p.y0 for p in ink.pieces)
    right, bottom = max(p.x1 for p in ink.pieces), max(p.y1 for p in ink.pieces)
    return max(left, top, wide - right, tall - bottom) <= (ROOM + SHORT) * ink.scale


def _held_by_blur(ink: LetterInk) -> bool:
    """Whether the letter without its tags falls apart where its ink is paler."""
    firm = ((ink.dark >= FIRM) & (ink.own > 0)).astype(np.uint8)
    firm[: ink.y(-1.2 if ink.letter == "ל" else 0.1)] = 0
    areas = np.bincount(cv2.connectedComponents(firm)[1].ravel())[1:]
    return int((areas > PART * ink.scale**2).sum()) > 1


def _middle(ink: LetterInk, part: str) -> Floats:
    """Where the assessor sees this part of the ink most; the ink's middle if nowhere."""
    likely = ink.part(part) * ink.own
    if float(likely.max()) < 0.1:
        likely = ink.own.astype(np.float32)
    rows, columns = np.nonzero(likely >= 0.5 * likely.max())
    return np.array([columns.mean() + 0.5, rows.mean() + 0.5])


def _tags(ink: LetterInk, expected: int) -> list[Length]:
    """One of 0 q on the middle of the head if fewer tags than expected stand there."""
    top, strokes = crowns.raised(ink)
    columns = np.flatnonzero(seats.seat(ink)[1])
    if not len(columns) or crowns.standing(strokes) >= expected:
        return []
    middle = int(columns[len(columns) // 2])
    place = np.array([middle + 0.5, top[middle]])
    return [Length("tag_height", "tag_missing", 0.0, place, place)]

"""Lengths of nought: a white that the networks suspect and that is not there, a tag wanting.

A ruler of no length points at the place.
"""

from __future__ import annotations

import numpy as np

from crownlet.infer.measuring import crowns, seats
from crownlet.infer.measuring.ink import LetterInk
from crownlet.infer.measuring.length import Length
from crownlet.infer.records import Floats, GlyphRecord

SUSPECTED = 0.05
"""From this probability on a white that is not found is listed as one of 0 q."""
WHITES = (("part_gap", "part_loose", "joint"), ("tag_gap", "tag_loose", "tag"))


def wanting(ink: LetterInk, row: GlyphRecord, found: list[Length]) -> list[Length]:
    """What `found`, the lengths measured on a letter, lacks."""
    names = {length.name for length in found}
    absent = []
    for name, of, part in WHITES:
        if name not in names and (row.p.get(of) or 0.0) >= SUSPECTED:
            place = _middle(ink, part)
            absent.append(Length(name, of, 0.0, place, place))
    seen = sum(length.name == "tag_height" for length in found)
    merged = (row.p.get("tag_merged") or 0.0) >= SUSPECTED
    if row.tags_expected and seen < row.tags_expected and not merged:
        absent += _tags(ink, row.tags_expected)
    return absent


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

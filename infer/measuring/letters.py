"""Every letter of a page measured: lengths in q and mm, with rulers on the page as given."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from crownlet.datasets.catalogue import CATALOGUE
from crownlet.infer.measuring import crowns, feet, forms, heads, legs, openings, parting, points
from crownlet.infer.measuring.borders import border_of, nearer
from crownlet.infer.measuring.ink import LetterInk, cut_out
from crownlet.infer.measuring.length import Length
from crownlet.infer.measuring.measurement import Measurement, Says
from crownlet.infer.measuring.wanting import wanting
from crownlet.infer.records import GlyphRecord, Located
from crownlet.infer.turning import points_back

LEAST_Q = 6.0
"""Fewest px a kulmus for which anything is measured: a tenth of a q is then more than half a px."""
Measure = Callable[[LetterInk], list[Length]]
MEASURES: tuple[tuple[str, Measure], ...] = (
    ("ג", feet.foot_drop),
    (legs.RIGHT + legs.LEFT + legs.HEADED + parting.HUNG, legs.leg_lengths),
    (openings.LETTERS, openings.opening),
    ("".join(heads.HEADS), heads.head_gaps),
    (CATALOGUE["tag_missing"].letters, crowns.tag_heights),
    ("".join(points.HEELS), points.heel),
    ("י", points.kotz),
    ("ח", forms.hump),
)
"""What is measured on which letters; whites between pieces are measured on all."""


@dataclass(frozen=True)
class Upright:
    """The flattened upright page (H, W), and how its px become those of the picture as given."""

    flat: npt.NDArray[np.uint8]
    turn: int
    size: tuple[int, int]
    """Width and height of the picture as given."""
    dpi: float | None


def measure_letters(
    page: Upright, found: Located, parts: npt.NDArray[np.uint8], rows: tuple[GlyphRecord, ...]
) -> tuple[Measurement, ...]:
    """Measures of all letters, in the order of `rows`.

    `found` (upright page) and the part masks `parts` (N, 6, 32, 24) are row for row with `rows`. A
    defect that the picture does not show well enough is left out, as it is of the routing.
    """
    taken: list[tuple[GlyphRecord, Length, Says]] = []
    ends = []
    for i, row in enumerate(rows):
        body, box = tuple(found.body[i].tolist()), tuple(found.box[i].tolist())
        if body[2] < 3.0 * LEAST_Q:
            continue
        ink = cut_out(page.flat, row.letter, body, box, parts[i])
        if ink is None:
            continue
        for length, says in _judged(ink, row):
            taken.append((row, length, says))
            ends.append(ink.on_page(np.stack([length.start, length.end])))
    if not taken:
        return ()
    placed = points_back(np.concatenate(ends), page.turn, page.size).reshape(-1, 4).tolist()
    return tuple(
        _measurement(row, length, says, ruler, page.dpi)
        for (row, length, says), ruler in zip(taken, placed, strict=True)
    )


def lengths(ink: LetterInk) -> list[Length]:
    """All that is measured on one letter."""
    found = parting.gaps(ink)
    for letters, measure in MEASURES:
        if ink.letter in letters:
            found += measure(ink)
    return found


def _judged(ink: LetterInk, row: GlyphRecord) -> Iterator[tuple[Length, Says]]:
    """Lengths with what they say; nothing is said of a letter whose ink runs into a neighbour's."""
    found = lengths(ink)
    for length in found + wanting(ink, row, found):
        if length.of == "leg_short":
            border = nearer(length.name, ink.letter, length.q)
        else:
            border = border_of(length.name, length.of, ink.letter)
        if border is None or border.of in row.not_examined:
            continue
        says = border.says(length.q)
        if ink.mixed or (says == "there" and not length.sure):
            says = "unclear"
        yield replace(length, of=border.of), says


def _measurement(
    row: GlyphRecord, length: Length, says: Says, ruler: list[float], dpi: float | None
) -> Measurement:
    mm = length.q * row.q / dpi * 25.4 if dpi else None
    start, end = (ruler[0], ruler[1]), (ruler[2], ruler[3])
    return Measurement(row.glyph, length.name, float(length.q), mm, start, end, length.of, says)

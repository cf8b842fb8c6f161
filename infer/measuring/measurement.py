"""One measure of one letter: a length, the ruler that shows it, and what it says of a defect."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Says = Literal["there", "not_there", "unclear"]
Point = tuple[float, float]


@dataclass(frozen=True)
class Measurement:
    """A length on the letter, in kulmus, beside the opinion of the networks.

    It says where the ink ends; whether that is a fault is for the examiner.
    """

    glyph: int
    """Number of the letter, from 1."""
    name: str
    """What was measured: `foot_drop`, `part_gap`, `leg_gap`, `leg_length`, ... (borders.yaml)."""
    q: float
    """In kulmus of this letter; below 0 where two levels lie the other way round."""
    mm: float | None
    """The same in millimetres; None where the resolution is not known."""
    start: Point
    """Ends of the ruler: x, y in px of the page as given."""
    end: Point
    of: str
    """The defect of the catalogue on which it bears."""
    says: Says
    """Whether by this measure alone the defect is there."""

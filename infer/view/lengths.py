"""Lengths in plain words: parts of a pen width, and millimetres where they are known."""

from __future__ import annotations

from collections.abc import Iterable

from crownlet.infer.records import TAG_MISSING, Measurement
from crownlet.infer.view.language import translate

PEN_WIDTH_NOTE = (
    "A pen width (kulmus, q in the tables) is the width of the scribe's pen, taken as a third of "
    "the height of a letter's body; a hair is less than an eighth of it."
)
"""Explains the unit, once on a sheet."""

HAIR_Q = 0.125
"""q below which a length is called a hair: an eighth of the pen (this project's own word)."""

_PARTS = ((0.375, "a quarter of a pen width"), (0.625, "half a pen width"),
          (0.875, "three quarters of a pen width"), (1.25, "one pen width"))  # fmt: skip
"""Words for lengths below a bound in q."""


def shown_measures(measures: Iterable[Measurement]) -> tuple[Measurement, ...]:
    """The measures that a person sees of one place: where it is measured that a crown is missing,
    those that stand speak neither for it nor against it, and are left out."""
    listed = tuple(measures)
    if not any(m.defect == TAG_MISSING and m.claim == "there" for m in listed):
        return listed
    return tuple(m for m in listed if m.defect != TAG_MISSING or m.claim == "there")


def describe_length(q: float, mm: float | None = None) -> str:
    """A length in words, such as `half a pen width, 0.4 mm`; below 0 it lies the other way."""
    if q == 0.0:
        return translate("none")
    size = abs(q)
    part = "a hair" if size < HAIR_Q else next((w for most, w in _PARTS if size < most), "")
    words = translate(part)
    if not words:
        halves = round(2 * size)
        words = translate("{n} pen widths", n=f"{halves // 2}{'½' if halves % 2 else ''}")
    if mm is not None:
        at_least = translate("{n} mm", n=f"{abs(mm):.1f}")
        words += f", {at_least if abs(mm) >= 0.05 else translate('less than 0.1 mm')}"
    return words + translate(", the other way") if q <= -HAIR_Q else words


def label_length(q: float, mm: float | None = None) -> str:
    """The same, short enough for a picture: `0.4 mm`, or `½ pen` where no mm are known."""
    if mm is not None:
        return translate("{n} mm", n=f"{abs(mm):.1f}") if abs(mm) >= 0.05 else translate("< 0.1 mm")
    if abs(q) < HAIR_Q:
        return translate("a hair")
    quarters = round(4 * abs(q))
    whole, part = divmod(quarters, 4)
    figure = f"{whole or ''}{('', '¼', '½', '¾')[part]}"
    return translate("{n} pens" if abs(q) > 1 else "{n} pen", n=figure)

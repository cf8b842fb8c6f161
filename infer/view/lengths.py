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
    """The measures that a picture shows of one place: crowns that stand, each by its height; the
    middle of the head, where a crown is missing, only where none stands."""
    listed = tuple(measures)
    if not any(_is_crown(m) and m.q > 0 for m in listed):
        return listed
    return tuple(m for m in listed if not _is_crown(m) or m.q > 0)


def split_crowns(
    measures: Iterable[Measurement],
) -> tuple[tuple[Measurement, ...], tuple[Measurement, ...]]:
    """The measures of crowns where fewer are measured than expected, which `describe_crowns` puts
    into words, and all other measures."""
    listed = tuple(measures)
    if not any(_is_crown(m) and m.q == 0 for m in listed):
        return (), listed
    return tuple(filter(_is_crown, listed)), tuple(m for m in listed if not _is_crown(m))


def describe_crowns(crowns: Iterable[Measurement], seen: int | None = None) -> str:
    """What was measured of too few crowns, in words that do not contradict the number `seen`.

    A height of 0 stands for a crown that no ink was measured of (`zero_lengths`); crowns that touch
    have one height together, so their number is not told from the heights alone.
    """
    listed = tuple(crowns)
    heights = [m for m in listed if m.q > 0]
    lengths = "; ".join(dict.fromkeys(describe_length(m.q, m.mm) for m in heights))
    if not heights:
        sure = not seen and any(m.claim == "there" for m in listed)
        return translate("no crown measured") if sure else translate("crown height not measured")
    if seen is not None and len(heights) > seen:
        return translate(
            "crown height {lengths}; on more crowns than the network sees", lengths=lengths
        )
    if seen is not None and len(heights) < seen:
        return translate("crown height {lengths}; not measured on every crown", lengths=lengths)
    return translate("crown height {lengths}; no further crown measured", lengths=lengths)


def _is_crown(m: Measurement) -> bool:
    return m.name == "tag_height" and m.defect == TAG_MISSING


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
    if q == 0.0:
        return translate("none")
    if mm is not None:
        return translate("{n} mm", n=f"{abs(mm):.1f}") if abs(mm) >= 0.05 else translate("< 0.1 mm")
    if abs(q) < HAIR_Q:
        return translate("a hair")
    quarters = round(4 * abs(q))
    whole, part = divmod(quarters, 4)
    figure = f"{whole or ''}{('', '¼', '½', '¾')[part]}"
    return translate("{n} pens" if abs(q) > 1 else "{n} pen", n=figure)

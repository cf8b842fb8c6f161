"""A drawn letter as named parts: the unit on which hands and defects work.

All lengths are in `q`, the width of the pen (kulmus). x grows to the right, y grows down; y = 0 is
the ruled line from which letters hang, y = 3 the base line (the model letter is three pens high,
Mishnat Sofrim on bet).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any, TypeVar

import numpy as np

from crownlet.datasets.coco.truth import DefectMark, Outline, PartKind

BODY_HEIGHT_Q = 3.0
"""Height of the letter body in q."""


T = TypeVar("T")


def copy_with(record: T, **changes: Any) -> T:
    """As `dataclasses.replace`, for records that compute nothing when they are made; five times as
    quick, and a page makes a thousand of them."""
    made: T = object.__new__(type(record))
    made.__dict__.update(record.__dict__, **changes)
    return made


@dataclass(frozen=True)
class Part:
    """One named piece of a letter: `name` is unique in the glyph, `kind` is its anatomy."""

    name: str
    kind: PartKind
    outline: Outline

    def moved(self, dx: float, dy: float) -> Part:
        """The same part shifted by (dx, dy) q."""
        return Part(self.name, self.kind, self.outline + np.array((dx, dy)))

    def mapped(self, f: Callable[[Outline], Outline]) -> Part:
        """The same part with its outline passed through `f`."""
        return Part(self.name, self.kind, f(self.outline))


@dataclass(frozen=True)
class Crown:
    """Where tags stand: from (x0, y) to (x1, y) on the upper edge of a head or roof, in q."""

    x0: float
    x1: float
    y: float


@dataclass(frozen=True)
class Glyph:
    """One letter as the pen leaves it: ink is the union of `parts` less the union of `cuts`."""

    letter: str
    parts: tuple[Part, ...]
    advance: float
    """Room on the line: the body lies in [0, advance], in q; tags, kotz, lamed's head may pass."""
    crown: Crown | None = None
    stretch: tuple[float, float] | None = None
    """x interval which lengthens when the letter is stretched; None where it may not be."""
    cuts: tuple[Outline, ...] = ()
    tags: int = 0
    """Strokes standing on the letter as drawn, bare ones and loose ones included."""
    defects: tuple[DefectMark, ...] = field(default=())
    other: str | None = None
    """The letter it may be taken for as drawn, if its form lies between two."""
    share: float = 0.0
    """Chance, at most a half, that a reader takes it for `other`; above 0 its class is doubtful."""
    unasked: tuple[str, ...] = ()
    """Faults that cannot be separated from the hand's own way with this letter: nothing is known of
    them."""
    oddity: str | None = None
    """A known way of writing that is no defect, as in `LetterTruth`."""

    def part(self, name: str) -> Part:
        """The part called `name`; KeyError if this glyph has none."""
        for part in self.parts:
            if part.name == name:
                return part
        raise KeyError(f"{self.letter!r} has no part {name!r}")

    def has(self, name: str) -> bool:
        """Whether a part is called `name`."""
        return any(part.name == name for part in self.parts)

    def of_kind(self, *kinds: PartKind) -> tuple[Part, ...]:
        """All parts of these kinds, in drawing order."""
        return tuple(part for part in self.parts if part.kind in kinds)

    def without(self, *names: str) -> Glyph:
        """The glyph less the parts called so."""
        return copy_with(self, parts=tuple(p for p in self.parts if p.name not in names))

    def with_parts(self, parts: Iterable[Part]) -> Glyph:
        """The glyph with `parts` put in place of those of the same name, or added at the end."""
        new = {part.name: part for part in parts}
        kept = tuple(new.pop(part.name, part) for part in self.parts)
        return copy_with(self, parts=kept + tuple(new.values()))

    def mapped(self, f: Callable[[Outline], Outline]) -> Glyph:
        """Every part and cut passed through `f`, which moves points (N, 2) one by one; the crown
        and advance stay as they are."""
        outlines = [*(part.outline for part in self.parts), *self.cuts]
        moved = f(np.concatenate(outlines)) if outlines else np.empty((0, 2))
        pieces, start = [], 0
        for outline in outlines:
            pieces.append(moved[start : start + len(outline)])
            start += len(outline)
        parts = tuple(
            Part(part.name, part.kind, piece)
            for part, piece in zip(self.parts, pieces, strict=False)
        )
        return copy_with(self, parts=parts, cuts=tuple(pieces[len(parts) :]))

    def bounds(self) -> tuple[float, float, float, float]:
        """(x0, y0, x1, y1) of all parts, in q."""
        points = np.concatenate([part.outline for part in self.parts])
        x0, y0 = points.min(axis=0)
        x1, y1 = points.max(axis=0)
        return float(x0), float(y0), float(x1), float(y1)

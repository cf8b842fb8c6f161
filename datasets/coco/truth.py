"""What is known of a rendered (or labelled) page: the record that training and tests read."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

Outline = npt.NDArray[np.float64]
"""Closed polygon, shape (N, 2), N >= 3, without a repeated last point; non-zero winding is ink."""

PartKind = Literal[
    "head", "roof", "leg", "foot", "base", "wall", "neck", "yud", "drop", "joint", "kotz", "heel",
    "hump", "body", "tag",
]  # fmt: skip


Box = tuple[float, float, float, float]

GapKind = Literal["letter", "word"]


@dataclass(frozen=True)
class DefectMark:
    """A defect put into a glyph on purpose.

    `size` is the true size in the unit the catalogue names for this defect (q, or a count);
    `plainness` runs from 0 (not to be seen) to 1 (plain); below 1/3 is not a positive, above 2/3 is
    plain, between them doubtful.
    """

    name: str
    size: float
    plainness: float = 1.0
    parts: tuple[str, ...] = ()


@dataclass(frozen=True)
class PartShape:
    """A part of one letter on the image: polygon of shape (N, 2), px."""

    name: str
    kind: PartKind
    polygon: npt.NDArray[np.float32]


@dataclass(frozen=True)
class LetterTruth:
    """One written letter. Pixels of the final image; lines, words and places count from 0."""

    letter: str
    """What was written, one of the 27."""
    expected: str | None
    """What the text asks for here; None for a letter that should not be there."""
    line: int
    word: int
    """Number of the word on the page, as the text divides it."""
    place: int
    """Number of the letter in its word."""
    box: Box
    """x0, y0, x1, y1 of all its ink, tags included."""
    body: tuple[float, float, float, float]
    """Body cell: centre x, y of the ruled line above, body height (3 q), rotation in degrees
    clockwise of the letter's upright (0 for a page the right way up)."""
    tags: int
    defects: tuple[DefectMark, ...] = ()
    parts: tuple[PartShape, ...] = ()
    whole: bool = True
    """False when the frame of the image cuts the letter."""
    other: str | None = None
    """The letter it may be taken for as written, if its form lies between two."""
    share: float = 0.0
    """Chance, at most a half, that a reader takes it for `other`; above 0 its class is doubtful."""
    oddity: str | None = None
    """Known way of writing that is no defect: `large`, `small`, `dotted`, `inverted`, `curled`."""
    legible: bool = False
    """Cut by the frame, yet nearly all shows: to be located and read, in its visible box."""
    known: tuple[str, ...] | None = None
    """Faults that were looked for, by catalogue name; None for all. Of others nothing is known."""

    @property
    def q(self) -> float:
        """Pen width in px."""
        return self.body[2] / 3.0


@dataclass(frozen=True)
class GapTruth:
    """The gap between two neighbours of one line; indices into `PageTruth.letters`."""

    right: int
    left: int
    expected: GapKind | None
    width_q: float
    """Smallest horizontal gap between the two bodies, in q; negative where they overlap."""
    defects: tuple[DefectMark, ...] = ()
    """`words_joined`, `word_parted`, `letters_touch`."""


@dataclass(frozen=True)
class PageTruth:
    """An image (uint8, (H, W) or (H, W, 3) RGB) with its letters in reading order."""

    image: npt.NDArray[np.uint8]
    letters: tuple[LetterTruth, ...]
    gaps: tuple[GapTruth, ...] = ()
    missing: tuple[tuple[int, str], ...] = ()
    """Letters left out on purpose: (index of the letter before it in reading order, character)."""
    meta: dict[str, object] = field(default_factory=dict)
    """Hand seed, style, split, dpi, text name, and what the camera did."""

"""Letters seen on a page matched to the letters written there, and the errors among them by kind.

Matching is by overlap of boxes, one to one, the best overlap first; errors add up over pages.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
import numpy.typing as npt

from crownlet.datasets.coco.truth import Box, LetterTruth

MATCH_IOU = 0.5

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class LetterErrors:
    """What went wrong among `true` letters. Sums of pages are made with `+`."""

    true: int = 0
    substituted: Counter[tuple[str, str]] = field(default_factory=Counter)
    """By (letter written, letter seen)."""
    missing: Counter[str] = field(default_factory=Counter)
    """By letter written."""
    spurious: Counter[str] = field(default_factory=Counter)
    """By letter seen where none is written."""
    written: Counter[str] = field(default_factory=Counter)
    """True letters by kind; its total is `true`."""

    @property
    def errors(self) -> int:
        """Substituted, missing and spurious letters together."""
        return sum(kind.total() for kind in (self.substituted, self.missing, self.spurious))

    @property
    def rate(self) -> float:
        """Letter error rate: errors per true letter. NaN without true letters."""
        return self.errors / self.true if self.true else float("nan")

    def __add__(self, other: LetterErrors) -> LetterErrors:
        return LetterErrors(
            self.true + other.true,
            self.substituted + other.substituted,
            self.missing + other.missing,
            self.spurious + other.spurious,
            self.written + other.written,
        )

    def by_letter(self) -> dict[str, float]:
        """Share of each written letter that was substituted or missed, by code point."""
        lost = self.missing.copy()
        for (letter, _), count in self.substituted.items():
            lost[letter] += count
        return {letter: lost[letter] / count for letter, count in sorted(self.written.items())}

    def summary(self) -> dict[str, object]:
        """Plain values for the model card; pairs as `written>seen`, most frequent first."""
        pairs = {f"{a}>{b}": n for (a, b), n in self.substituted.most_common()}
        return {
            "letters": self.true,
            "letter_error_rate": self.rate if self.true else None,
            "substituted": self.substituted.total(),
            "missing": self.missing.total(),
            "spurious": self.spurious.total(),
            "pairs": pairs,
            "missing_by_letter": dict(self.missing.most_common()),
            "spurious_by_letter": dict(self.spurious.most_common()),
        }


class SeenLetter(Protocol):
    """What matching asks of a letter seen; `infer.records.GlyphRecord` has it."""

    @property
    def letter(self) -> str:
        """One of the 27."""

    @property
    def box(self) -> Box:
        """x0, y0, x1, y1 in px."""

    @property
    def p(self) -> Mapping[str, float | None]:
        """Probability of each defect; None or absent where it does not apply."""


@dataclass(frozen=True)
class Detection:
    """The plainest `SeenLetter`."""

    letter: str
    box: Box
    p: Mapping[str, float | None] = field(default_factory=dict)


@dataclass(frozen=True)
class PageMatch:
    """Pairs (index in truth, index in seen), and what was left over; cut letters never appear."""

    pairs: tuple[tuple[int, int], ...]
    missing: tuple[int, ...]
    spurious: tuple[int, ...]


def pairwise_iou(a: npt.ArrayLike, b: npt.ArrayLike) -> Floats:
    """Intersection over union of boxes (N, 4) and (M, 4), as (N, M)."""
    one, two = _box_array(a), _box_array(b)
    shared = _intersections(one, two)
    union = _areas(one)[:, None] + _areas(two)[None, :] - shared
    return np.divide(shared, union, out=np.zeros_like(shared), where=union > 0)


def match_boxes(
    truth: npt.ArrayLike, seen: npt.ArrayLike, least: float = MATCH_IOU
) -> list[tuple[int, int]]:
    """Pairs one to one, the best overlap first, down to an IoU of `least` inclusive."""
    overlap = pairwise_iou(truth, seen)
    rows, columns = np.nonzero(overlap >= least)
    order = np.argsort(-overlap[rows, columns], kind="stable")
    taken_rows: set[int] = set()
    taken_columns: set[int] = set()
    pairs = []
    for row, column in zip(rows[order].tolist(), columns[order].tolist(), strict=True):
        if row not in taken_rows and column not in taken_columns:
            taken_rows.add(row)
            taken_columns.add(column)
            pairs.append((row, column))
    return sorted(pairs)


def match_page(
    truth: Sequence[LetterTruth], seen: Sequence[SeenLetter], least: float = MATCH_IOU
) -> PageMatch:
    """Match a page. Letters cut by the frame (`whole=False`) are neither missing nor spurious.

    Whole letters are matched first; what then lies by half or more of its area on a cut letter, or
    on one whose class is doubtful (`share` above 0), or matches it, is left out of account (as COCO
    does with regions to be ignored).
    """
    whole = [i for i, letter in enumerate(truth) if letter.whole]
    boxes = _box_array([letter.box for letter in seen])
    pairs = [(whole[i], j) for i, j in match_boxes([truth[i].box for i in whole], boxes, least)]
    loose = [letter.box for letter in truth if letter.share or not letter.whole]
    ignored = _box_array(loose)
    on_ignored = _lies_on(boxes, ignored) | (pairwise_iou(boxes, ignored) >= least).any(axis=1)
    found = {i for i, _ in pairs}
    used = {j for _, j in pairs}
    return PageMatch(
        tuple(pairs),
        tuple(i for i in whole if i not in found),
        tuple(j for j in range(len(seen)) if j not in used and not on_ignored[j]),
    )


def count_letter_errors(
    truth: Sequence[LetterTruth], seen: Sequence[SeenLetter], match: PageMatch | None = None
) -> LetterErrors:
    """Letter errors of one page; `match` defaults to `match_page(truth, seen)`.

    Letters whose form lies between two (`share` above 0) are left out: no reading of them is true.
    """
    match = match or match_page(truth, seen)
    sure = [not letter.share for letter in truth]
    read = [(truth[i].letter, seen[j].letter) for i, j in match.pairs if sure[i]]
    written = Counter(letter.letter for letter in truth if letter.whole and not letter.share)
    return LetterErrors(
        written.total(),
        Counter((a, b) for a, b in read if a != b),
        Counter(truth[i].letter for i in match.missing if sure[i]),
        Counter(seen[j].letter for j in match.spurious),
        written,
    )


def _box_array(boxes: npt.ArrayLike) -> Floats:
    return np.asarray(boxes, np.float64).reshape(-1, 4)


def _areas(boxes: Floats) -> Floats:
    sides = np.clip(boxes[:, 2:] - boxes[:, :2], 0, None)
    area: Floats = sides[:, 0] * sides[:, 1]
    return area


def _intersections(one: Floats, two: Floats) -> Floats:
    """Area that boxes (N, 4) and (M, 4) share, as (N, M)."""
    first = np.maximum(one[:, None, :2], two[None, :, :2])
    last = np.minimum(one[:, None, 2:], two[None, :, 2:])
    sides = np.clip(last - first, 0, None)
    shared: Floats = sides[..., 0] * sides[..., 1]
    return shared


def _lies_on(boxes: Floats, regions: Floats) -> npt.NDArray[np.bool_]:
    """Which boxes (N, 4) lie by half or more of their area on one of the regions."""
    shared = _intersections(boxes, regions)
    mostly = (shared > 0) & (shared >= 0.5 * _areas(boxes)[:, None])
    return np.asarray(mostly.any(axis=1))

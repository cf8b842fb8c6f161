"""The audit of a survey: letters drawn by lot for each defect and scroll, whatever their route.

In every scroll, for every defect, the same number of letters is drawn without replacement among
those that can have it and were examined for it (stratified sampling; Cochran, Sampling Techniques,
3rd ed. 1977, chapter 5). So each (letter, defect) pair of a scroll has one chance, known before the
draw: letters drawn over letters there are. One defect is asked of a letter at a time, which a
reader does fastest, and no defect has fewer letters than another.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from heapq import nsmallest
from pathlib import Path

from crownlet.infer.files import replacing, write_rows
from crownlet.infer.review.queue import lot
from crownlet.infer.run.tables import RunError, read_table
from crownlet.infer.survey.stored import PageLetters, able

NAME = "audit.csv"
COLUMNS = ("page", "glyph", "letter", "defect", "chance")


@dataclass(frozen=True)
class Pair:
    """A letter, a defect to be judged on it, and the chance with which the pair was drawn."""

    page: str
    glyph: int
    letter: str
    defect: str
    chance: float


def draw(
    scrolls: Mapping[str, Sequence[PageLetters]], defects: Iterable[str], size: float, seed: int
) -> tuple[Pair, ...]:
    """Draw `size` letters of each scroll for each defect, or that share of them if below 1.

    The same pages and seed give the same draw, in whatever order they come; a larger size draws
    the same letters and more. 0 draws none.
    """
    pairs = [
        pair
        for pages in scrolls.values()
        for defect in defects
        for pair in _stratum(pages, defect, size, seed)
    ]
    return tuple(sorted(pairs, key=lambda pair: (pair.page, pair.glyph, pair.defect)))


def _stratum(pages: Sequence[PageLetters], defect: str, size: float, seed: int) -> list[Pair]:
    members = [(page.page, *letter) for page in pages for letter in able(page, defect)]
    count = min(len(members), round(size) if size >= 1 else round(size * len(members)))
    if size > 0 and members:
        count = max(count, 1)
    drawn = nsmallest(count, members, key=lambda m: lot(seed, "audit", defect, m[0], m[1]))
    return [Pair(*member, defect, count / len(members)) for member in drawn]


def write_audit(folder: Path, pairs: Iterable[Pair]) -> None:
    """Write S/audit.csv whole or not at all; OSError if it cannot be written."""
    with replacing(folder / NAME) as draft:
        write_rows(
            draft, COLUMNS,
            ((p.page, str(p.glyph), p.letter, p.defect, repr(p.chance)) for p in pairs),
        )  # fmt: skip


def read_audit(folder: Path) -> tuple[Pair, ...]:
    """The drawn pairs; RunError if they cannot be read."""
    path = folder / NAME
    table = read_table(path)
    try:
        rows = zip(
            table.text("page"), table.whole("glyph"), table.text("letter"), table.text("defect"),
            table.number("chance"), strict=True,
        )  # fmt: skip
        pairs = tuple(Pair(*row) for row in rows)
    except (KeyError, ValueError) as error:
        raise RunError(path, f"is no audit of a survey ({error}).") from None
    if any(not 0 < pair.chance <= 1 for pair in pairs):
        raise RunError(path, "has a chance outside 0 to 1.")
    return pairs

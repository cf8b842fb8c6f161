"""Pages that do not belong together as they were given, each told in one sentence."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import combinations

from crownlet.infer.scrolls.sketch import Sketch
from crownlet.infer.sides import GIVEN, Side

GRAM = 8
"""Texts are compared by runs of so many letters: a page of a Torah scroll repeats few of them."""
SAME = 0.4
"""Two pages that share this part of the shorter one's runs hold the same text."""


def same_pictures(pages: Iterable[Sketch]) -> dict[str, str]:
    """A sentence for each page whose picture was given more than once, byte for byte."""
    by_sum: dict[str, list[str]] = {}
    for page in pages:
        if page.sha256:
            by_sum.setdefault(page.sha256, []).append(page.name)
    said: dict[str, str] = {}
    for names in by_sum.values():
        if len(names) > 1:
            shown = ", ".join(sorted(names))
            said |= dict.fromkeys(names, f"The same picture was given {len(names)} times: {shown}.")
    return said


def same_texts(pages: Sequence[Sketch]) -> list[str]:
    """Pages of one side of one scroll that hold the same text."""
    return [
        f"{a.name} and {b.name} are given as one side of one scroll and hold the same text: two "
        "pictures of one page, or pages of two scrolls put together."
        for a, b in combinations(pages, 2)
        if a.sha256 != b.sha256 and overlap(a.text, b.text) >= SAME
    ]


def overlap(a: str, b: str) -> float:
    """Share of the shorter text's runs of `GRAM` letters that the other holds too."""
    if min(len(a), len(b)) < GRAM:
        return float(a == b and bool(a))
    runs = [{text[i : i + GRAM] for i in range(len(text) - GRAM + 1)} for text in (a, b)]
    return len(runs[0] & runs[1]) / min(map(len, runs))


def exchanged(page: Sketch, given: Side | None) -> list[str]:
    """A sentence where a page reads as the other side, unless the page says so itself."""
    if given is None or page.side in (None, given):
        return []
    opening = GIVEN.format(given)
    if any(note.startswith(opening) for note in page.notes):
        return []
    return [f"{opening} as {'a reverse' if page.side == 'reverse' else 'a face'}."]

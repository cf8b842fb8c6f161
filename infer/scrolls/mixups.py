"""Pages that do not belong together as they were given, each told in one sentence."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import combinations

from crownlet.infer.scrolls.sketch import Sketch
from crownlet.infer.scrolls.wording import some_of
from crownlet.infer.sides import GIVEN, Side

RUN = 8
"""Texts are compared by runs of so many letters: a page of a Torah scroll repeats few of them."""
UNLIKE = 0.2
"""Share of letters left out of comparisons from which that is said."""
SAME = 0.4
"""Two pages that share this part of the shorter one's runs hold the same text."""


def same_pictures(checksums: Iterable[tuple[str, str]]) -> dict[str, str]:
    """A sentence for each page whose picture was given more than once, by page and SHA-256."""
    by_sum: dict[str, list[str]] = {}
    for name, checksum in checksums:
        if checksum:
            by_sum.setdefault(checksum, []).append(name)
    said: dict[str, str] = {}
    for names in by_sum.values():
        if len(names) > 1:
            text = f"The same picture was given {len(names)} times: {some_of(sorted(names))}."
            said |= dict.fromkeys(names, text)
    return said


def same_texts(pages: Sequence[Sketch]) -> list[str]:
    """A sentence for each two pages of one side of one scroll that hold the same text."""
    own = {page.name: runs(page.text) for page in pages}
    sums = {page.name: page.sha256 for page in pages}
    holders: dict[str, list[str]] = {}
    for name, texts in own.items():
        for text in texts:
            holders.setdefault(text, []).append(name)
    shared = Counter(pair for names in holders.values() for pair in combinations(names, 2))
    return [
        f"{a} and {b} are given as one side of one scroll and hold the same text: two pictures of "
        "one page, or pages of two scrolls put together."
        for (a, b), count in sorted(shared.items())
        if count >= SAME * min(len(own[a]), len(own[b])) and (not sums[a] or sums[a] != sums[b])
    ]


def runs(text: str) -> set[str]:
    """All runs of `RUN` letters; a shorter text is one run."""
    return {text[i : i + RUN] for i in range(max(len(text) - RUN + 1, min(len(text), 1)))}


def exchanged(page: Sketch, given: Side | None) -> list[str]:
    """A sentence where a page reads as the other side, unless the page says so itself."""
    if given is None or page.side in (None, given):
        return []
    opening = GIVEN.format(given)
    if any(note.startswith(opening) for note in page.notes):
        return []
    return [f"{opening} as {'a reverse' if page.side == 'reverse' else 'a face'}."]


def not_compared(pages: Sequence[Sketch]) -> list[str]:
    """A sentence where many letters are of no kind that the networks know."""
    unlike, letters = sum(page.unlike for page in pages), sum(len(page.text) for page in pages)
    if unlike < UNLIKE * max(letters, 1):
        return []
    return [
        f"{unlike} of {letters} letters are unlike those that the networks know; what is said of "
        "crowns and of evenness leaves them out."
    ]

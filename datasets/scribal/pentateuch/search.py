"""Which passage of the Pentateuch a page shows, found by its letters alone.

Runs of letters that page and text share are chained into places; the place with the fewest letters
to change wins, and how many its rivals would change says how sure that is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from crownlet.datasets.scribal.edit_distance import stretch_distance
from crownlet.datasets.scribal.pentateuch.chaining import (
    FOLDED,
    GAP,
    LONG_SEED,
    SHORT_SEED,
    Chain,
    Seeds,
    candidates,
    chain,
)
from crownlet.datasets.scribal.pentateuch.text import Codes, codes_of, pentateuch, verses
from crownlet.datasets.scribal.portion import Portion
from crownlet.datasets.scribal.texts import TEFILLIN, portion

SHORT, LONG = 150, 600
"""Letters under which a page is looked for by short seeds, and in many places."""

MANY, FEW = 16, 6
"""So many places are weighed against each other on short and on long pages."""

COMPARED = 3000
"""Letters of a page that are compared letter by letter."""


@dataclass(frozen=True)
class Place:
    """A place where the page may stand: letters `start` to `stop` of one of the texts."""

    text: str
    """`torah`, `mezuzah` or `tefillin`."""
    start: int
    stop: int
    score: float
    edits: int
    """Letters to change, absent and extra ones included."""


@cache
def texts() -> dict[str, Codes]:
    """The texts that are searched, as classes."""
    return {
        "torah": pentateuch().codes,
        "mezuzah": codes_of(portion("mezuzah").letters),
        "tefillin": codes_of(portion("tefillin").letters),
    }


@cache
def _bounds() -> dict[str, tuple[int, int]]:
    """Where each text lies in the index."""
    bounds, start = {}, 0
    for name, codes in texts().items():
        bounds[name] = (start, start + len(codes))
        start += len(codes) + 1
    return bounds


@cache
def _index(seed: int) -> Seeds:
    parts: list[Codes] = []
    for codes in texts().values():
        parts += [codes, np.array([GAP], np.uint8)]
    return Seeds(np.concatenate(parts), seed)


def places(page: Codes) -> list[Place]:
    """Where `page` may stand, the best first; the same words may stand in several texts."""
    short = len(page) < SHORT
    runs = _index(SHORT_SEED if short else LONG_SEED).runs(page)
    chains: dict[tuple[str, int, int], float] = {}
    for shift in candidates(runs, len(page), MANY if len(page) < LONG else FEW):
        for name, bounds in _bounds().items():
            if bounds[0] - len(page) <= shift <= bounds[1]:
                best = chain(runs, shift, len(page), bounds)
                if best is not None:
                    _keep(chains, name, best, bounds[0])
    if not chains:
        return []
    most = max(chains.values())
    rivals = [key for key, score in chains.items() if score >= 0.6 * most - 6]
    rivals.sort(key=lambda key: (-chains[key], key))
    found = [Place(*key, chains[key], _edits(page, *key)) for key in rivals[: 2 * MANY]]
    return sorted(found, key=lambda place: (place.edits, -place.score, place.text, place.start))


def _keep(chains: dict[tuple[str, int, int], float], name: str, best: Chain, start: int) -> None:
    """Add a chain unless one of the same text overlaps it; the better one stays."""
    new = (name, best.start - start, best.stop - start)
    for old in list(chains):
        if old[0] == name and min(old[2], new[2]) - max(old[1], new[1]) > 0.5 * (new[2] - new[1]):
            if chains[old] >= best.score:
                return
            del chains[old]
    chains[new] = best.score


def _edits(page: Codes, name: str, start: int, stop: int) -> int:
    text = texts()[name]
    low, high = max(start - 20, 0), min(stop + 20, len(text))
    return stretch_distance(FOLDED[page[:COMPARED]], FOLDED[text[low:high]])


LEAST = 25
"""Fewer letters are not looked for, but on the reverse of a mezuzah."""

PER_EDIT = 2.0
"""How much surer (logarithm of the odds) one letter less to change makes a place."""

NAMED = 0.02
"""A rival place at least so likely is named."""

ALIKE, EACH = 0.46, 6.0
"""Least share of letters alike is `ALIKE + EACH / letters`. Of 25 letters of the Prophets and
Writings half are alike at the best place, of 90 a third; one page of 25 in a hundred has 0.76."""

COVERED, COVERED_EACH = 0.36, 9.0
"""A page is found, too, if so much of it lies in runs of one place, text between being cut off. Of
the Prophets and Writings a third of 25 letters does, a seventh of 90, a twelfth of 150."""

SLACK = 6.0
"""Letters by which two places that agree equally well may differ by chance."""

EDGE = 8
"""A known portion may seem to begin or end so many letters outside itself."""


@dataclass(frozen=True)
class Found:
    """The passage that a page shows."""

    portion: Portion
    """Whole verses around the passage and a little more, or a known portion."""
    confidence: float
    """How sure the place is, 0 to 1: low where the same words stand elsewhere too."""
    also: tuple[str, ...]
    """Other places in which the page's words stand, or nearly."""
    start: int
    """Letter of the portion, from 0, near which the page begins."""
    stop: int
    """Letter of the portion near which it ends."""
    verse: int | None = None
    """Index of the portion's first verse; None for a known portion."""


def find_passage(letters: str) -> Found | None:
    """The passage that shows `letters`, the letters of a page in reading order; None if none does.

    Up to one letter in seven may be misread, absent or extra, and lines may be cut. None for fewer
    than 25 letters, other than those of the reverse of a mezuzah, and for other texts. ValueError
    for anything but the 27 letters.
    """
    page = codes_of(letters)
    if len(page) < LEAST:
        return _reverse(page)
    known = places(page)
    if not known or not _alike(known[0], len(page)):
        return None
    rivals = _apart([place for place in known if place.text == "torah"], known[0])
    weights = [math.exp(-PER_EDIT * (r.edits - known[0].edits)) for r in rivals]
    sure = 1.0 / (1.0 + sum(weights))
    also = [_reference(r) for r, w in zip(rivals, weights, strict=True) if w * sure >= NAMED]
    best = _chosen(known)
    if best.text != "torah":
        return _known(best, sure * _share(known[0], len(page)), also, known)
    return _passage(best, sure * _share(known[0], len(page)), also, len(page))


def _alike(place: Place, length: int) -> bool:
    same = 1.0 - place.edits / min(length, COMPARED)
    return same >= ALIKE + EACH / length or place.score >= COVERED * length + COVERED_EACH


def _share(place: Place, length: int) -> float:
    """How sure it is that the page shows this text at all."""
    same = max(1.0 - place.edits / min(length, COMPARED), place.score / length)
    return 1.0 / (1.0 + math.exp(-(same - ALIKE - EACH / length) / 0.04 - 1.0))


def _chosen(known: Sequence[Place]) -> Place:
    """The best place; of equals one in a known portion.

    Lines of other texts beside the page cost each of them differently, so what agrees counts.
    """
    ties = [p for p in known if p is known[0] or (p.text != "torah" and _equal(p, known[0]))]
    order = {"tefillin": 1, "mezuzah": 0, "torah": 2}
    return min(ties, key=lambda place: (order[place.text], place.start))


def _equal(place: Place, best: Place) -> bool:
    return place.score >= best.score - SLACK


def _apart(rivals: Sequence[Place], best: Place) -> list[Place]:
    """Places in the Torah other than the best one's; each stands there once."""
    if best.text == "torah":
        return [place for place in rivals if place is not best]
    return list(rivals[1:])


def _known(best: Place, sure: float, also: Sequence[str], known: Sequence[Place]) -> Found:
    """A known portion: one of the four, else the text in which they stand together."""
    torah = [_reference(p) for p in known if p.text == "torah" and _equal(p, best)][:1]
    strips = [p for p in known if p.text == "tefillin" and _equal(p, best)]
    start = 0
    for name in TEFILLIN:
        stop = start + len(portion(name).letters)
        for place in strips:
            if place.start >= start - EDGE and place.stop <= stop + EDGE:
                others = [best.text] if best.text != "tefillin" else []
                return Found(portion(name), sure, (*others, *torah, *also),
                             max(place.start - start, 0), place.stop - start)  # fmt: skip
        start = stop
    return Found(portion(best.text), sure, (*torah, *also), best.start, best.stop)


def _passage(best: Place, sure: float, also: Sequence[str], length: int) -> Found:
    text = pentateuch()
    room = 20 + length // 20
    low, high = max(best.start - room, 0), min(best.stop + room, len(text.codes)) - 1
    first, last = text.verse_of_letter(low), text.verse_of_letter(high)
    begin = int(text.word_starts[text.verse_starts[first]])
    return Found(
        verses(first, last), sure, tuple(also), best.start - begin, best.stop - begin, first
    )


def _reference(place: Place) -> str:
    text = pentateuch()
    first = text.verse_of_letter(min(place.start + 3, place.stop - 1))
    return text.reference(first, text.verse_of_letter(max(place.stop - 4, place.start)))


def _reverse(page: Codes) -> Found | None:
    """The reverse of a mezuzah: fourteen letters, a Name of three, or both (Keset HaSofer 27:7)."""
    back = portion("mezuzah_reverse")
    if len(page) < 3:
        return None
    edits = stretch_distance(page, codes_of(back.letters))
    if edits > len(page) / 4:
        return None
    return Found(back, 1.0 - edits / len(page), (), 0, len(back.letters))

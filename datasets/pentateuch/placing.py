"""Every place where a page may stand: in the Pentateuch, in the mezuzah, in tefillin.

The mezuzah, whose two portions do not adjoin, and the strip of the arm are texts of their own.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from crownlet.datasets.pentateuch.chaining import Chain, candidates, chain
from crownlet.datasets.pentateuch.distance import distance
from crownlet.datasets.pentateuch.seeds import FOLDED, GAP, LONG_SEED, SHORT_SEED, Seeds
from crownlet.datasets.pentateuch.text import Codes, codes_of, pentateuch
from crownlet.datasets.texts import portion

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
    return distance(FOLDED[page[:COMPARED]], FOLDED[text[low:high]])

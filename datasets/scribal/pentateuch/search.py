"""Which passage of the Pentateuch a page shows, found by its letters alone.

Runs of letters that page and text share are chained into candidate places; the place with the
fewest edits wins, and the edits of its rivals give the confidence. The mezuzah, whose two portions
do not adjoin in the Pentateuch, and the strip of the arm tefillin are texts of their own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from crownlet.datasets.scribal.edit_distance import stretch_distance
from crownlet.datasets.scribal.pentateuch.chaining import (
    FOLDED_CLASSES,
    LONG_SEED_LETTERS,
    SEPARATOR_CLASS,
    SHORT_SEED_LETTERS,
    Chain,
    SeedIndex,
    candidate_shifts,
    find_best_chain,
)
from crownlet.datasets.scribal.pentateuch.text import (
    Codes,
    cut_verses,
    encode_letters,
    load_pentateuch,
)
from crownlet.datasets.scribal.portion import Portion
from crownlet.datasets.scribal.texts import TEFILLIN, load_portion

SHORT_PAGE_LETTERS, LONG_PAGE_LETTERS = 150, 600
"""Lengths of a page below which it is searched by short seeds, and in more places."""

MAX_PLACES_SHORT_PAGE, MAX_PLACES_LONG_PAGE = 16, 6
"""Candidate places that are compared, on short and on long pages."""

MAX_COMPARED_LETTERS = 3000
"""Letters of a page, from its first, whose edits are counted."""


MIN_PAGE_LETTERS = 25
"""Shortest page that is searched for; shorter ones are compared with a mezuzah's reverse only."""

LOG_ODDS_PER_EDIT = 2.0
"""What one edit less adds to the logarithm of a place's odds."""

MIN_NAMED_PROBABILITY = 0.02
"""Probability from which a rival place is named."""

MIN_EQUAL_SHARE, EQUAL_ALLOWANCE_LETTERS = 0.46, 6.0
"""A page is found if at least the share `MIN_EQUAL_SHARE + EQUAL_ALLOWANCE_LETTERS / letters` of it
is equal. Of 25 letters of the Prophets and Writings half are equal at the best place, of 90 a
third; one page of 25 in a hundred has 0.76."""

MIN_COVERED_SHARE, COVERED_ALLOWANCE_LETTERS = 0.36, 9.0
"""A page is also found if runs of one place cover at least `MIN_COVERED_SHARE * letters +
COVERED_ALLOWANCE_LETTERS` of it, the text between them being cut off.
Of the Prophets and Writings a third of 25 letters is covered, a seventh of 90, a twelfth of 150."""

TIE_LETTERS = 6.0
"""Difference of scores up to which two places count as equal."""

PORTION_EDGE_LETTERS = 8
"""Letters by which a chain may begin or end outside a portion that it shows."""


@dataclass(frozen=True)
class CandidatePlace:
    """A place where the page may stand: letters `start` to `stop` of one of the texts."""

    text: str
    """`torah`, `mezuzah` or `tefillin`."""
    start: int
    stop: int
    score: float
    edits: int
    """Letters to change, absent and extra ones included."""


@cache
def searched_texts() -> dict[str, Codes]:
    """The texts that are searched, as classes."""
    return {
        "torah": load_pentateuch().codes,
        "mezuzah": encode_letters(load_portion("mezuzah").letters),
        "tefillin": encode_letters(load_portion("tefillin").letters),
    }


@cache
def _text_bounds() -> dict[str, tuple[int, int]]:
    """Where each text lies in the index."""
    bounds, start = {}, 0
    for name, codes in searched_texts().items():
        bounds[name] = (start, start + len(codes))
        start += len(codes) + 1
    return bounds


@cache
def _seed_index(seed: int) -> SeedIndex:
    parts: list[Codes] = []
    for codes in searched_texts().values():
        parts += [codes, np.array([SEPARATOR_CLASS], np.uint8)]
    return SeedIndex(np.concatenate(parts), seed)


def find_places(page: Codes) -> list[CandidatePlace]:
    """Where `page` may stand, the best first; the same words may stand in several texts."""
    short = len(page) < SHORT_PAGE_LETTERS
    runs = _seed_index(SHORT_SEED_LETTERS if short else LONG_SEED_LETTERS).runs(page)
    chains: dict[tuple[str, int, int], float] = {}
    for shift in candidate_shifts(
        runs,
        len(page),
        MAX_PLACES_SHORT_PAGE if len(page) < LONG_PAGE_LETTERS else MAX_PLACES_LONG_PAGE,
    ):
        for name, bounds in _text_bounds().items():
            if bounds[0] - len(page) <= shift <= bounds[1]:
                best = find_best_chain(runs, shift, len(page), bounds)
                if best is not None:
                    _keep_better_chain(chains, name, best, bounds[0])
    if not chains:
        return []
    most = max(chains.values())
    rivals = [key for key, score in chains.items() if score >= 0.6 * most - 6]
    rivals.sort(key=lambda key: (-chains[key], key))
    found = [
        CandidatePlace(*key, chains[key], _count_edits(page, *key))
        for key in rivals[: 2 * MAX_PLACES_SHORT_PAGE]
    ]
    return sorted(found, key=lambda place: (place.edits, -place.score, place.text, place.start))


def _keep_better_chain(
    chains: dict[tuple[str, int, int], float], name: str, best: Chain, start: int
) -> None:
    """Add a chain unless one of the same text overlaps it; the better one stays."""
    new = (name, best.start - start, best.stop - start)
    for old in list(chains):
        if old[0] == name and min(old[2], new[2]) - max(old[1], new[1]) > 0.5 * (new[2] - new[1]):
            if chains[old] >= best.score:
                return
            del chains[old]
    chains[new] = best.score


def _count_edits(page: Codes, name: str, start: int, stop: int) -> int:
    text = searched_texts()[name]
    low, high = max(start - 20, 0), min(stop + 20, len(text))
    return stretch_distance(
        FOLDED_CLASSES[page[:MAX_COMPARED_LETTERS]], FOLDED_CLASSES[text[low:high]]
    )


@dataclass(frozen=True)
class FoundPassage:
    """The passage that a page shows."""

    portion: Portion
    """Whole verses around the passage and a little more, or a known portion."""
    confidence: float
    """Probability of the place, 0 to 1: low where the same words stand elsewhere too."""
    also: tuple[str, ...]
    """Other places in which the page's words stand, or nearly."""
    start: int
    """Letter of the portion, from 0, near which the page begins."""
    stop: int
    """Letter of the portion near which it ends."""
    verse: int | None = None
    """Index of the portion's first verse; None for a known portion."""


def find_passage(letters: str) -> FoundPassage | None:
    """The passage that shows `letters`, the letters of a page in reading order; None if none does.

    Up to one letter in seven may be misread, absent or extra, and lines may be cut. None for fewer
    than 25 letters, other than those of the reverse of a mezuzah, and for other texts. ValueError
    for anything but the 27 letters.
    """
    page = encode_letters(letters)
    if len(page) < MIN_PAGE_LETTERS:
        return _find_reverse(page)
    known = find_places(page)
    if not known or not _shows_text(known[0], len(page)):
        return None
    rivals = _torah_rivals([place for place in known if place.text == "torah"], known[0])
    weights = [math.exp(-LOG_ODDS_PER_EDIT * (r.edits - known[0].edits)) for r in rivals]
    sure = 1.0 / (1.0 + sum(weights))
    also = [
        _reference_of_place(r)
        for r, w in zip(rivals, weights, strict=True)
        if w * sure >= MIN_NAMED_PROBABILITY
    ]
    best = _choose_place(known)
    if best.text != "torah":
        return _found_portion(best, sure * _text_confidence(known[0], len(page)), also, known)
    return _found_verses(best, sure * _text_confidence(known[0], len(page)), also, len(page))


def _shows_text(place: CandidatePlace, length: int) -> bool:
    same = 1.0 - place.edits / min(length, MAX_COMPARED_LETTERS)
    return (
        same >= MIN_EQUAL_SHARE + EQUAL_ALLOWANCE_LETTERS / length
        or place.score >= MIN_COVERED_SHARE * length + COVERED_ALLOWANCE_LETTERS
    )


def _text_confidence(place: CandidatePlace, length: int) -> float:
    """Confidence, 0 to 1, that the page shows this text at all."""
    same = max(1.0 - place.edits / min(length, MAX_COMPARED_LETTERS), place.score / length)
    return 1.0 / (
        1.0 + math.exp(-(same - MIN_EQUAL_SHARE - EQUAL_ALLOWANCE_LETTERS / length) / 0.04 - 1.0)
    )


def _choose_place(known: Sequence[CandidatePlace]) -> CandidatePlace:
    """The best place; of equals one in a known portion.

    Lines of other texts beside the page cost each of them differently, so what agrees counts.
    """
    ties = [p for p in known if p is known[0] or (p.text != "torah" and _ties(p, known[0]))]
    order = {"tefillin": 1, "mezuzah": 0, "torah": 2}
    return min(ties, key=lambda place: (order[place.text], place.start))


def _ties(place: CandidatePlace, best: CandidatePlace) -> bool:
    return place.score >= best.score - TIE_LETTERS


def _torah_rivals(rivals: Sequence[CandidatePlace], best: CandidatePlace) -> list[CandidatePlace]:
    """Places in the Torah other than the best one's; each stands there once."""
    if best.text == "torah":
        return [place for place in rivals if place is not best]
    return list(rivals[1:])


def _found_portion(
    best: CandidatePlace, sure: float, also: Sequence[str], known: Sequence[CandidatePlace]
) -> FoundPassage:
    """A known portion: one of the four, else the text in which they stand together."""
    torah = [_reference_of_place(p) for p in known if p.text == "torah" and _ties(p, best)][:1]
    strips = [p for p in known if p.text == "tefillin" and _ties(p, best)]
    start = 0
    for name in TEFILLIN:
        stop = start + len(load_portion(name).letters)
        for place in strips:
            if (
                place.start >= start - PORTION_EDGE_LETTERS
                and place.stop <= stop + PORTION_EDGE_LETTERS
            ):
                others = [best.text] if best.text != "tefillin" else []
                return FoundPassage(load_portion(name), sure, (*others, *torah, *also),
                             max(place.start - start, 0), place.stop - start)  # fmt: skip
        start = stop
    return FoundPassage(load_portion(best.text), sure, (*torah, *also), best.start, best.stop)


def _found_verses(
    best: CandidatePlace, sure: float, also: Sequence[str], length: int
) -> FoundPassage:
    text = load_pentateuch()
    room = 20 + length // 20
    low, high = max(best.start - room, 0), min(best.stop + room, len(text.codes)) - 1
    first, last = text.verse_of_letter(low), text.verse_of_letter(high)
    begin = int(text.word_starts[text.verse_starts[first]])
    return FoundPassage(
        cut_verses(first, last), sure, tuple(also), best.start - begin, best.stop - begin, first
    )


def _reference_of_place(place: CandidatePlace) -> str:
    text = load_pentateuch()
    first = text.verse_of_letter(min(place.start + 3, place.stop - 1))
    return text.reference(first, text.verse_of_letter(max(place.stop - 4, place.start)))


def _find_reverse(page: Codes) -> FoundPassage | None:
    """The reverse of a mezuzah: fourteen letters, a Name of three, or both (Keset HaSofer 27:7)."""
    back = load_portion("mezuzah_reverse")
    if len(page) < 3:
        return None
    edits = stretch_distance(page, encode_letters(back.letters))
    if edits > len(page) / 4:
        return None
    return FoundPassage(back, 1.0 - edits / len(page), (), 0, len(back.letters))

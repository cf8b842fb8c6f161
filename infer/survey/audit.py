"""The audit of a survey: letters drawn at random for each defect and scroll, with known chances.

In every scroll, for every defect, letters are drawn among those that can have it and were examined
for it, whatever their route. The chance of a letter rises with the square root of the network's
probability, the best choice for a rare defect where the network is calibrated (Sarndal, Swensson &
Wretman 1992, section 3.6). At least `MIN_EVEN_SHARE` of every chance is the same for all letters of
the scroll, so that no letter weighs more than 1 / `MIN_EVEN_SHARE` times as much as in an even
draw, however wrong the network is (Hesterberg 1995, defensive mixtures).

A letter is drawn where its random number lies below its chance. The random numbers of a scroll are
spread evenly, one in each of as many steps as it has letters (collocated sampling; Brewer, Early &
Hanif 1984): each is uniform, so that the chances are exact, the number drawn hardly varies, and a
larger audit draws the same letters and more. With equal chances this is a simple random sample.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from crownlet.datasets.scribal.catalogue import GLYPH_DEFECTS
from crownlet.infer.review.queue import stable_hash
from crownlet.infer.review.survey_questions import AuditedLetter
from crownlet.infer.run.survey_state import AuditDraw
from crownlet.infer.survey.intervals import Floats
from crownlet.infer.survey.page_letters import PageLetters

MIN_EVEN_SHARE = 0.5
"""Least share of a letter's chance that is the same for all letters of a scroll. In simulations
shares from a third to a half gave the same spread at rates of 0.3% to 5%."""

EVEN_FROM_RATE = 0.2
"""Where the network expects a defect on this share of the letters or more, the draw is even: so
frequent a defect is met by any draw, and uneven weights only add spread (a tenth in simulations).
"""


@dataclass(frozen=True)
class ScrollChances:
    """One defect on one scroll: its letters on all pages, in the order of the pages' names."""

    defect: str
    pages: tuple[PageLetters, ...]
    examined: tuple[np.ndarray, ...]
    """Of each page: places of the letters that can have the defect, from 0."""
    chance: Floats
    """Inclusion probability of each of them, all pages together."""


def draw_audit(
    scrolls: Mapping[str, Sequence[PageLetters]],
    defects: Iterable[str],
    size: float,
    seed: int,
    draw: AuditDraw = "doubt",
) -> tuple[AuditedLetter, ...]:
    """Draw about `size` letters of each scroll for each defect, or that share of them if below 1.

    The same pages and seed give the same draw, in whatever order they come; a larger size draws
    the same letters and more. 0 draws none.
    """
    drawn = [
        letter
        for chances in list_chances(scrolls, defects, size, draw)
        for letter in _draw_scroll(chances, seed)
    ]
    return tuple(sorted(drawn, key=lambda letter: (letter.page, letter.glyph, letter.defect)))


def list_chances(
    scrolls: Mapping[str, Sequence[PageLetters]],
    defects: Iterable[str],
    size: float,
    draw: AuditDraw,
) -> Iterator[ScrollChances]:
    """The inclusion probabilities of all letters that an audit can draw; nothing for size 0."""
    defects = tuple(defects)
    for pages in scrolls.values():
        pages = sorted(pages, key=lambda page: page.page)
        for defect in defects:
            rows = [page.predicted[GLYPH_DEFECTS.index(defect)] for page in pages]
            examined = tuple(np.flatnonzero(~np.isnan(row)) for row in rows)
            predicted = np.concatenate([row[k] for row, k in zip(rows, examined, strict=True)])
            if len(predicted) and size > 0:
                chance = compute_chances(predicted, size, draw)
                yield ScrollChances(defect, tuple(pages), examined, chance)


def compute_chances(predicted: Floats, size: float, draw: AuditDraw = "doubt") -> Floats:
    """Inclusion probabilities of the letters of one scroll, (letters,), that sum to the size.

    `predicted` are the network's probabilities, (letters,). At least one letter is expected, and no
    probability exceeds 1: what is over is spread over the others in proportion.
    """
    letters = len(predicted)
    expected = min(letters, max(1, round(size) if size >= 1 else round(size * letters)))
    if draw == "even" or not predicted.any():
        return np.full(letters, expected / letters)
    score = np.sqrt(predicted)
    share = compute_even_share(float(predicted.mean()))
    part = share / letters + (1 - share) * score / score.sum()
    certain = np.zeros(letters, dtype=np.bool_)
    while True:
        others = expected - int(certain.sum())
        weight = float(part[~certain].sum())
        chance = np.where(certain, 1.0, part * others / weight if weight > 0 else 1.0)
        over = (chance >= 1) & ~certain
        if not over.any():
            return np.asarray(chance)
        certain |= over


def compute_even_share(rate: float) -> float:
    """Share of a chance that is the same for all letters, where the network expects this rate."""
    return min(1.0, max(MIN_EVEN_SHARE, rate / EVEN_FROM_RATE))


def _draw_scroll(chances: ScrollChances, seed: int) -> list[AuditedLetter]:
    """The letters of one scroll drawn for one defect."""
    keys, steps = [], []
    for page, examined in zip(chances.pages, chances.examined, strict=True):
        random = np.random.default_rng(stable_hash(seed, "audit", chances.defect, page.page))
        # Two numbers for every letter of the page, so that those of one do not depend on which
        # others were examined.
        own = random.random((2, len(page.glyph)))
        keys.append(own[0, examined])
        steps.append(own[1, examined])
    rank = np.argsort(np.argsort(np.concatenate(keys)))
    number = (rank + np.concatenate(steps)) / len(rank)
    drawn = number < chances.chance
    letters, start = [], 0
    for page, examined in zip(chances.pages, chances.examined, strict=True):
        own_drawn = np.flatnonzero(drawn[start : start + len(examined)])
        letters += [
            AuditedLetter(
                page.page, int(page.glyph[examined[k]]), str(page.letter[examined[k]]),
                chances.defect, float(chances.chance[start + k]),
            )
            for k in own_drawn
        ]  # fmt: skip
        start += len(examined)
    return letters

"""Pictures that may show one page: given twice, turned, compressed again or photographed again.

The width of each letter, relative to the hand's usual one for the form, recurs in every picture of
the page and on no other page.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from crownlet.infer.records import GlyphRecord
from crownlet.infer.scrolls.scroll import Scroll

Signature = npt.NDArray[np.float32]
"""(SIGNATURE_PLACES,) of norm 1: how much wider than usual each letter is, by its place; 0 where
there is no letter."""

SIGNATURE_PLACES, LINE_PLACES = 4096, 64
"""Places of a signature, and of a line in it; longer lines and pages reuse places."""

MAX_LOG_WIDTH = 0.3
"""Natural logarithm of relative width at which widths are cut off: many scribes stretch the same
letters."""

MIN_LETTERS_FOR_SIGNATURE = 100
"""With fewer letters there is no signature: the similarity of two pages spreads by one over the
square root of their number."""

PAGES_PER_BLOCK = 1000
"""Pages compared with all later ones at once: ten thousand would take half a GB."""

MIN_SAME_PAGE_SIMILARITY = 0.75
"""Similarity, the cosine of two signatures, from which two pictures may show one page.

Fifty pictures of ten mezuzot by five held-out hands, two by each (upright, upside down, strongly
compressed, at 0.7 of the size, and bent by a camera): of one page 0.85 and more (100 pairs), of two
pages by one hand 0.44 at most (125), by two hands 0.66 at most (12,000, with 150 more mezuzot).
"""

SAME_PAGE = "may show the same page"

SAME_PAGE_NOTE = (
    "{} and {} " + SAME_PAGE + ": letter by letter they are alike. If so, it is counted twice."
)


def page_signature(glyphs: Sequence[GlyphRecord]) -> Signature | None:
    """Signature of a page by its letters in reading order; None where they are too few."""
    if len(glyphs) < MIN_LETTERS_FOR_SIGNATURE:
        return None
    boxes = np.array([glyph.box for glyph in glyphs])
    sides = np.array([glyph.quarter_turns % 2 for glyph in glyphs])
    across = (boxes[:, 2:] - boxes[:, :2])[np.arange(len(glyphs)), sides]
    wide = np.log(np.maximum(across, 1.0) / np.array([glyph.q for glyph in glyphs]))
    forms = np.array([ord(glyph.letter) for glyph in glyphs])
    for form in np.unique(forms):
        wide[forms == form] -= np.median(wide[forms == form])
    lines = np.array([glyph.line for glyph in glyphs])
    places = np.concatenate([np.arange(count) for count in np.unique(lines, return_counts=True)[1]])
    found = np.bincount(
        (lines * LINE_PLACES + places % LINE_PLACES) % SIGNATURE_PLACES,
        np.clip(wide, -MAX_LOG_WIDTH, MAX_LOG_WIDTH),
        SIGNATURE_PLACES,
    )
    return np.asarray(found / max(float(np.linalg.norm(found)), 1e-9), np.float32)


def same_pages(signatures: Mapping[str, Signature | None]) -> list[tuple[str, str]]:
    """Pairs of names whose pictures may show one page."""
    signed = {name: sign for name, sign in signatures.items() if sign is not None}
    names, signs = list(signed), np.array(list(signed.values())).reshape(-1, SIGNATURE_PLACES)
    pairs: list[tuple[str, str]] = []
    for first in range(0, len(names), PAGES_PER_BLOCK):
        alike = signs[first : first + PAGES_PER_BLOCK] @ signs[first:].T >= MIN_SAME_PAGE_SIMILARITY
        found = np.argwhere(np.triu(alike, 1)) + first
        pairs += [(names[i], names[j]) for i, j in found]
    return pairs


def add_same_page_notes(
    scrolls: Iterable[Scroll],
    signatures: Mapping[str, Signature | None],
    doubled: Mapping[str, str],
) -> tuple[Scroll, ...]:
    """The scrolls with a sentence at the top for each two pictures that may show one page.

    `doubled` has the notes on picture files given twice, by page.
    """
    notes: dict[str, list[str]] = {}
    for pair in same_pages(signatures):
        if pair[0] in doubled and doubled[pair[0]] == doubled.get(pair[1]):
            continue
        for name in pair:
            notes.setdefault(name, []).append(SAME_PAGE_NOTE.format(*pair))
    return tuple(
        replace(scroll, notes=tuple(dict.fromkeys([*_notes_of(scroll, notes), *scroll.notes])))
        for scroll in scrolls
    )


def _notes_of(scroll: Scroll, notes: Mapping[str, Sequence[str]]) -> list[str]:
    return [text for page in scroll.pages for text in notes.get(page, ())]

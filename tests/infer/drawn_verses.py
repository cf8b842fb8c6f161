"""A drawn page of five verses, for tests of how its pictures lie; its letters are known."""

from __future__ import annotations

from dataclasses import dataclass
from difflib import SequenceMatcher

import numpy as np

from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean
from crownlet.infer.records import PageRecord

VERSES = "Deuteronomy 6:4-8"
BODY_PX = 28.0


@dataclass(frozen=True)
class Drawn:
    """A rendered page, with its letters' text and the middles of their boxes (N, 2)."""

    image: np.ndarray
    letters: str
    middles: np.ndarray


def draw_verses() -> Drawn:
    """The page in colour, (H, W, 3)."""
    page = compose(clean(portion=VERSES, body=(BODY_PX, BODY_PX)), 7)
    boxes = np.array([letter.box for letter in page.letters])
    letters = "".join(letter.letter for letter in page.letters)
    return Drawn(np.asarray(page.image), letters, (boxes[:, :2] + boxes[:, 2:]) / 2)


def errors(page: PageRecord, drawn: Drawn) -> int:
    """Letters of the page that are not read as they were written, absent and extra ones."""
    read = "".join(glyph.letter for glyph in page.glyphs)
    pairs = SequenceMatcher(None, drawn.letters, read, autojunk=False).get_matching_blocks()
    return max(len(drawn.letters), len(read)) - sum(block.size for block in pairs)

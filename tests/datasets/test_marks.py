"""Strokes between words that are no letters.

By common practice of Hebrew books, no source: a stroke ends a verse, strokes fill a short line.
"""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import Polygon
from shapely.ops import unary_union

from crownlet.datasets.render.letterforms.draw_hand import draw_hand
from crownlet.datasets.render.page.block import Block, write_block
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean, training
from crownlet.datasets.render.page.text import choose_text

SEEDS = range(6)


def _written(seed: int, marks: float) -> Block:
    rng = np.random.default_rng(seed)
    spec = clean(letters=(60, 60), marks=marks, justify=0.0)
    hand = draw_hand(seed, "train", 0.0)
    return write_block(choose_text(spec, rng, 48.0), spec, hand, 16.0, rng)


@pytest.mark.parametrize("seed", SEEDS)
def test_marks_lie_in_gaps_and_touch_no_letter(seed: int) -> None:
    block = _written(seed, 1.0)
    ink = unary_union(
        [
            Polygon(part.outline + np.array([p.x, p.y])).buffer(0)
            for p in block.letters
            for part in p.glyph.parts
        ]
    )
    body = [mark for mark in block.marks if Polygon(mark).buffer(0).distance(ink) < 0.02]
    # Descenders and tall arms of the lines above and below may reach into a gap; seldom.
    assert len(body) <= 0.1 * len(block.marks)
    for mark in block.marks:
        assert np.ptp(mark[:, 0]) < 3.0


def test_a_page_of_words_has_marks_and_a_page_without_none() -> None:
    assert sum(len(_written(seed, 1.0).marks) for seed in SEEDS) > 10
    assert not any(_written(seed, 0.0).marks for seed in SEEDS)


def test_marks_are_inked_and_have_no_labels() -> None:
    spec = clean(letters=(60, 60), justify=0.0, body=(48.0, 48.0))
    marked, plain = (
        compose(training(**{**spec.__dict__, "marks": marks}), 3) for marks in (1.0, 0.0)
    )
    assert [t.letter for t in marked.letters] == [t.letter for t in plain.letters]
    beside = marked.image.min(axis=2) < 100
    for truth in marked.letters:
        x0, y0, x1, y1 = (int(v) for v in truth.box)
        beside[max(0, y0 - 3) : y1 + 4, max(0, x0 - 3) : x1 + 4] = False
    assert beside.sum() > 50

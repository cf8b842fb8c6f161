"""Known oddities: what tradition writes large, and that an odd letter stays its letter, faultless.

Large letters of the first verse: ayin of its first word and dalet of its last (Rambam, Tefillin
2:6; check value 34: letter 3 of word 1 and letter 3 of word 6). That dots and sizes are no faults:
Yoreh Deah 275:6 gloss. How far sizes, dots and curls go is common practice, no source.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import shapely
from shapely.geometry import Polygon
from shapes import ink

from crownlet.datasets.coco.truth import LetterTruth
from crownlet.datasets.render.letterforms.build import build_letter
from crownlet.datasets.render.letterforms.draw_hand import SPLITS, draw_hand
from crownlet.datasets.render.letterforms.glyph import Glyph
from crownlet.datasets.render.letterforms.oddities import ODDITY_LETTERS as WRITTEN
from crownlet.datasets.render.letterforms.oddities import Oddity, apply_oddity, known_oddities
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.faults import Slot
from crownlet.datasets.render.page.scribe import Crowning, write_letter
from crownlet.datasets.render.page.spec import clean, mezuzah, training
from crownlet.datasets.scribal.alphabet import LETTERS

HANDS = [draw_hand(seed, split) for split in SPLITS for seed in range(5)]


def written(letter: str, name: Oddity | None) -> list[Glyph]:
    """The letter by every hand, crowned by custom."""
    slot = Slot(letter, letter, 0, 0, 0, oddity=name)
    return [write_letter(slot, hand, Crowning(), seed) for seed, hand in enumerate(HANDS)]


@cache
def first_verse(seed: int) -> tuple[LetterTruth, ...]:
    """The letters of the first six words of a mezuzah whose page has known oddities."""
    letters = compose(mezuzah(32.0, oddity_rate=1e-9, defect_rate=0.0, text_rate=0.0), seed).letters
    return tuple(letter for letter in letters if letter.word < 6)


def test_large_letters_stand_at_the_third_of_the_first_and_of_the_sixth_word() -> None:
    places = set()
    for seed in range(6):
        large = {(x.word + 1, x.place + 1, x.letter) for x in first_verse(seed) if x.oddity}
        assert large in (set(), {(1, 3, "ע"), (6, 3, "ד")})
        places |= large
    assert len(places) == 2


def test_a_page_without_oddities_has_no_large_letter() -> None:
    letters = compose(clean(portion="shema"), 1).letters
    assert all(letter.oddity is None for letter in letters)


def test_a_large_letter_is_larger_than_its_like_and_its_body_cell_is_the_line_s() -> None:
    for seed in range(6):
        letters = first_verse(seed)
        for letter in letters:
            same = [x for x in letters if x.letter == letter.letter and x.oddity is None]
            if letter.oddity is None or not same:
                continue
            tall = [x.box[3] - x.box[1] for x in (letter, *same)]
            assert tall[0] > 1.1 * max(tall[1:])
            assert letter.body[2] == pytest.approx(same[0].body[2], rel=0.05)


def test_sizes_keep_the_form() -> None:
    for letter in WRITTEN["small"]:
        for seed, hand in enumerate(HANDS):
            plain = build_letter(letter, hand, np.random.default_rng(seed))
            odd = apply_oddity(plain, "small", hand, np.random.default_rng(seed))
            x0, y0, x1, y1 = plain.bounds()
            u0, v0, u1, v1 = odd.bounds()
            assert 0.59 < (u1 - u0) / (x1 - x0) < 0.76
            assert (v1 - v0) / (y1 - y0) == pytest.approx((u1 - u0) / (x1 - x0))
            assert odd.advance == pytest.approx(plain.advance * (u1 - u0) / (x1 - x0))


def test_dots_lie_free_above_the_letter_and_count_as_no_tags() -> None:
    for letter in WRITTEN["dotted"]:
        for plain, odd in zip(written(letter, None), written(letter, "dotted"), strict=True):
            assert odd.tags == plain.tags
            dots = [part for part in odd.parts if part.name.startswith("dot_")]
            assert 1 <= len(dots) <= 3
            rest = ink(odd.without(*(dot.name for dot in dots)))
            for dot in dots:
                assert Polygon(dot.outline).distance(rest) > 0.05
                assert dot.outline[:, 1].max() < rest.bounds[1] + 0.05


def test_an_inverted_nun_is_a_nun_with_its_base_to_the_other_side_or_on_top() -> None:
    for seed, hand in enumerate(HANDS):
        plain = build_letter("נ", hand, np.random.default_rng(seed))
        odd = apply_oddity(plain, "inverted", hand, np.random.default_rng(seed))
        assert odd.letter == "נ"
        assert ink(odd).area == pytest.approx(ink(plain).area)
        was, now = (Polygon(g.part("base").outline).centroid for g in (plain, odd))
        neck = [Polygon(g.part("neck").outline).centroid for g in (plain, odd)]
        # The base runs left of the neck in a nun; to its right in a mirrored or turned one.
        assert was.x < neck[0].x
        assert now.x > neck[1].x


@pytest.mark.parametrize("letter", "פף")
def test_a_rolled_in_pe_stays_one_piece_with_its_roll_off_the_frame(letter: str) -> None:
    for odd in written(letter, "curled"):
        if odd.has("drop"):
            continue
        roll = Polygon(odd.part("joint").outline)
        assert ink(odd).geom_type == "Polygon"
        below = shapely.box(-5.0, odd.part("roof").outline[:, 1].max() + 0.05, 9.0, 9.0)
        standing = [part.name for part in odd.parts if part.kind in ("base", "wall", "leg")]
        legs = ink(odd, *standing).intersection(below)
        # Common practice, no source: 0.04 q is a pixel of a letter that is drawn 75 px high.
        assert shapely.make_valid(roll).distance(legs) > 0.04


def test_every_oddity_is_stated_and_bears_no_fault() -> None:
    for name, letters in WRITTEN.items():
        for letter in letters:
            assert name in known_oddities(letter)
            for glyph in written(letter, name):
                assert (glyph.letter, glyph.oddity, glyph.share) == (letter, name, 0.0)
                # Bare tags are the habit of a hand, whatever it writes.
                assert {mark.name for mark in glyph.defects} <= {"tag_bare"}


def test_every_letter_has_some_oddity_and_unknown_ones_are_refused() -> None:
    assert all(known_oddities(letter) for letter in LETTERS.replace("ל", ""))
    plain = build_letter("ב", HANDS[0], np.random.default_rng(0))
    with pytest.raises(ValueError, match="inverted"):
        apply_oddity(plain, "inverted", HANDS[0], np.random.default_rng(0))


def test_pages_hold_all_kinds_in_their_boxes() -> None:
    found = set()
    spec = training(
        oddity_rate=0.5, morph_rate=0.0, defect_rate=0.0, habit_rate=0.0, gap_rate=0.0, tight=0.0,
        text_rate=0.0, max_side=512, body=(20.0, 24.0), columns=0.0,
    )  # fmt: skip
    for seed in range(8):
        for letter in compose(spec, seed).letters:
            if letter.oddity is None or not letter.whole:
                continue
            found.add(letter.oddity)
            points = np.concatenate([part.polygon for part in letter.parts])
            edges = (*points.min(axis=0), *points.max(axis=0))
            assert letter.box == pytest.approx(edges, abs=0.01)
            assert letter.letter == letter.expected
    assert found == set(WRITTEN)

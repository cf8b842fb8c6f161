"""Forms between two letters: pure at both ends, one continuous way, the truth about the doubt.

Pieces and rings are counted by shapely. The pairs: Shabbat 103b (from memory); Rambam, Tefillin
1:19; Mishnah Berurah 32:14; that a contact of he's leg makes it another letter, Mishnah Berurah
32:82-83; that mem closes into a ring, Mishnah Berurah 32:70-75.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

import numpy as np
import pytest
from shapely.geometry import Polygon
from shapes import ink

from crownlet.datasets.render.defects.apply import applicable_defects
from crownlet.datasets.render.letterforms.build import build_letter
from crownlet.datasets.render.letterforms.draw_hand import SPLITS, draw_hand
from crownlet.datasets.render.letterforms.glyph import Glyph
from crownlet.datasets.render.letterforms.morph_ways import (
    DOUBTFUL_DEFECTS,
    MORPH_WAYS,
    morph_partners,
)
from crownlet.datasets.render.letterforms.morphs import build_between, share_at
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean, training

PAIRS = tuple(MORPH_WAYS)
HANDS = [draw_hand(seed, split) for split in SPLITS for seed in range(4)]
WAY = np.linspace(0.0, 1.0, 9)


def forms(pair: str, t: float) -> Iterator[Glyph]:
    """The form at `t` by every hand."""
    for seed, hand in enumerate(HANDS):
        yield build_between(pair[0], pair[1], hand, np.random.default_rng(seed), t)


def pieces(glyph: Glyph) -> int:
    """Connected pieces; what is smaller than a speck of rounding does not count."""
    grown = ink(glyph).buffer(1e-6)
    return sum(piece.area > 1e-4 for piece in getattr(grown, "geoms", [grown]))


def rings(glyph: Glyph) -> int:
    """Enclosed whites."""
    grown = ink(glyph).buffer(1e-6)
    found = [Polygon(ring) for p in getattr(grown, "geoms", [grown]) for ring in p.interiors]
    return sum(hole.area > 1e-3 for hole in found)


@pytest.mark.parametrize("pair", PAIRS)
def test_both_ends_are_the_letters_as_the_hand_writes_them(pair: str) -> None:
    for seed, hand in enumerate(HANDS):
        child = int(np.random.default_rng(seed).integers(1 << 62))
        for t, letter in ((0.0, pair[0]), (1.0, pair[1])):
            pure = build_letter(letter, hand, np.random.default_rng(child))
            if pure.has("hump"):
                continue
            end = build_between(pair[0], pair[1], hand, np.random.default_rng(seed), t)
            a, b = ink(pure), ink(end)
            assert a.intersection(b).area / a.union(b).area > 0.99
            assert end.letter == letter
            assert end.advance == pytest.approx(pure.advance, abs=1e-3)
            if pure.crown is not None and end.crown is not None:
                assert end.crown.x0 == pytest.approx(pure.crown.x0, abs=1e-3)


@pytest.mark.parametrize("pair", PAIRS)
def test_the_way_is_continuous_and_the_same_from_both_sides(pair: str) -> None:
    for seed, hand in enumerate(HANDS[::3]):
        areas = []
        for t in np.linspace(0.0, 1.0, 21):
            ends = [
                build_between(a, b, hand, np.random.default_rng(seed), u)
                for a, b, u in ((pair[0], pair[1], t), (pair[1], pair[0], 1 - t))
            ]
            there, back = (ink(end) for end in ends)
            assert there.symmetric_difference(back).area < 1e-6
            areas.append(there.area)
        # A step of a twentieth may change no more than a tenth of the ink.
        assert max(abs(np.diff(areas))) < 0.1 * max(areas)


@pytest.mark.parametrize("pair", PAIRS)
def test_outlines_do_not_cross_themselves_and_names_stay_single(pair: str) -> None:
    crossed = 0
    for t in WAY:
        for glyph in forms(pair, t):
            crossed += sum(not Polygon(part.outline).is_valid for part in glyph.parts)
            assert len({part.name for part in glyph.parts}) == len(glyph.parts)
            x0, y0, x1, y1 = glyph.bounds()
            assert np.isfinite([x0, y0, x1, y1]).all()
    assert crossed == 0


@pytest.mark.parametrize("other", ["ח", "ת"])
def test_the_leg_of_he_hangs_until_half_of_the_way_and_then_touches(other: str) -> None:
    for t, expected in ((0.0, 2), (0.25, 2), (0.45, 2), (0.55, 1), (0.75, 1), (1.0, 1)):
        assert {pieces(glyph) for glyph in forms("ה" + other, t)} == {expected}


def test_other_letters_stay_in_one_piece() -> None:
    for pair in PAIRS:
        if set(pair) & set("הק"):
            continue
        for t in WAY:
            assert {pieces(glyph) for glyph in forms(pair, t)} == {1}, (pair, t)


def test_samech_and_final_mem_keep_their_ring_and_mem_and_tet_close_on_the_way() -> None:
    for t in WAY:
        assert {rings(glyph) for glyph in forms("סם", t)} == {1}
    for pair, open_at, closed_at in (("מם", 0.45, 0.55), ("טס", 0.55, 0.65)):
        for t, expected in ((0.0, 0), (0.3, 0), (open_at, 0), (closed_at, 1), (0.7, 1), (1.0, 1)):
            assert {rings(glyph) for glyph in forms(pair, t)} == {expected}, (pair, t)


def test_the_doubt_is_graded_and_lies_in_the_middle_third() -> None:
    """The thirds are those of scribal-rules 4.5 (ours): the middle one is the child's question."""
    assert [share_at(t) for t in (0.0, 0.33, 0.67, 1.0)] == [0, 0, 0, 0]
    assert share_at(0.5) == 0.5
    for t in (0.35, 0.42, 0.58, 0.65):
        assert 0 < share_at(t) < 0.5
        assert share_at(t) == pytest.approx(share_at(1 - t))
        glyph = next(forms("דר", t))
        near, far = ("ד", "ר") if t < 0.5 else ("ר", "ד")
        assert (glyph.letter, glyph.other) == (near, far)
        doubt = next(mark for mark in glyph.defects if mark.name == "shape_doubt")
        assert doubt.size == glyph.share == pytest.approx(share_at(t))
        assert 1 / 3 < doubt.plainness < 1
    for t in (0.0, 0.2, 0.33, 0.67, 1.0):
        glyph = next(forms("דר", t))
        assert glyph.other is None and glyph.share == 0
        assert all(mark.name != "shape_doubt" for mark in glyph.defects)


def test_signs_of_a_way_are_doubtful_defects_of_that_letter() -> None:
    for (near, far), names in DOUBTFUL_DEFECTS.items():
        assert far in morph_partners(near)
        assert set(names) <= set(applicable_defects(near)), (near, far)


def test_small_signs_run_ahead_of_the_form_or_behind_it() -> None:
    """A dalet without a heel is no resh yet, nor is one with a heel safe from being one: its corner
    decides (MS dalet, resh). Half way to resh, some heels are nearly whole and some nearly gone."""
    left = []
    for whole, half in zip(forms("דר", 0.0), forms("דר", 0.5), strict=True):
        heels = [Polygon(glyph.part("heel").outline).area for glyph in (whole, half)]
        left.append(heels[1] / heels[0])
    assert min(left) < 0.2
    assert max(left) > 0.35


def test_wrong_questions_are_refused() -> None:
    hand, rng = HANDS[0], np.random.default_rng(0)
    with pytest.raises(KeyError):
        build_between("א", "ל", hand, rng, 0.5)
    with pytest.raises(ValueError, match="0 to 1"):
        build_between("ד", "ר", hand, rng, 1.5)


def test_pages_hold_every_pair_and_tell_what_is_written() -> None:
    found: Counter[str] = Counter()
    # Faults of the hand that are no morph's (bare tags) come with it.
    spec = training(
        morph_rate=0.7, oddity_rate=0.0, defect_rate=0.0, habit_rate=0.0, gap_rate=0.0, tight=0.0,
        text_rate=0.0, max_side=512, body=(20.0, 24.0), columns=0.0,
    )  # fmt: skip
    for seed in range(24):
        for letter in compose(spec, seed).letters:
            names = {mark.name for mark in letter.defects}
            assert ("shape_doubt" in names) == (letter.share > 0) == (letter.other is not None)
            if letter.share > 0:
                assert letter.other in morph_partners(letter.letter)
                assert letter.expected in (letter.letter, letter.other)
                found["".join(sorted(letter.letter + str(letter.other)))] += 1
            elif letter.letter != letter.expected:
                assert "letter_swapped" in names
                assert letter.expected in morph_partners(letter.letter)
    assert set(found) == {"".join(sorted(pair)) for pair in PAIRS}


def test_clean_pages_hold_none() -> None:
    letters = compose(clean(portion="mezuzah"), 3).letters
    assert all(not letter.share and not letter.oddity for letter in letters)

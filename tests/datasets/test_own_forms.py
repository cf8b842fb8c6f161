"""Each hand's own proportions: wide ranges between hands, borders between letters kept in each.

Ranges in q were measured in single scrolls (no printed source); which letters may not be taken for
each other: Shabbat 103b; Mishnat Sofrim under each letter.
"""

from __future__ import annotations

import numpy as np
import pytest

from crownlet.datasets.coco.truth import DefectMark
from crownlet.datasets.render.letterforms.build import build_letter
from crownlet.datasets.render.letterforms.draw_hand import draw_hand
from crownlet.datasets.render.letterforms.glyph import Glyph
from crownlet.datasets.render.letterforms.hand import STYLES, Hand
from crownlet.datasets.render.letterforms.own_forms import LetterForm, form_of, manner_of
from crownlet.datasets.render.page.labels import _known_defects

HANDS = [draw_hand(seed) for seed in range(120)]


def drawn(letter: str, hand: Hand) -> Glyph:
    return build_letter(letter, hand, np.random.default_rng(ord(letter)))


def widths(letter: str) -> np.ndarray:
    bounds = np.array([drawn(letter, hand).bounds() for hand in HANDS])
    return bounds[:, 2] - bounds[:, 0]


@pytest.mark.parametrize(
    ("letter", "low", "high"),
    [("ב", 2.0, 2.76), ("ם", 1.92, 2.88), ("ר", 1.89, 2.92), ("פ", 1.74, 2.53), ("ו", 0.87, 1.2)],
)
def test_hands_reach_the_widths_of_single_scrolls(letter: str, low: float, high: float) -> None:
    # medians of single scrolls, measured; no printed source
    drawn_widths = widths(letter)
    assert np.quantile(drawn_widths, 0.2) < low + 0.5 * (high - low)
    assert np.quantile(drawn_widths, 0.95) > high - 0.05
    assert low - 0.1 < np.median(drawn_widths) < high + 0.1


def test_ayins_tail_sinks_below_the_line() -> None:
    # 3.4 to 4.1 q in every scroll measured; no printed source
    depths = np.array([drawn("ע", hand).bounds()[3] for hand in HANDS])
    assert 3.4 < np.median(depths) < 4.1
    assert depths.max() < 4.5


def test_a_yud_is_shorter_than_the_vav_of_its_hand() -> None:
    # Shabbat 103b: not vav as yud, nor yud as vav
    for hand in HANDS:
        vav, yud = (drawn(letter, hand).part("leg").outline[:, 1].max() for letter in "וי")
        assert yud < vav - 0.35, hand


@pytest.mark.parametrize(("sharp", "rounded", "model"), [("ד", "ר", 0.9), ("ב", "כ", 1.0)])
def test_a_round_letter_is_rounder_than_its_sharp_twin(
    sharp: str, rounded: str, model: float
) -> None:
    # Shabbat 103b: not dalet as resh, bet as kaf; where the border lies is the hand's
    corners, arcs = [], []
    for hand in HANDS:
        one, other = (form_of(hand.seed, hand.style, letter) for letter in (sharp, rounded))
        corners.append(one.corner)
        arcs.append(model + other.arc)
    gap = np.array(arcs) - corners
    assert gap.min() > 0.3
    assert max(corners) > min(arcs) - 0.05, "the border must differ from hand to hand"


def test_the_model_hand_and_a_share_of_others_stay_as_they_were() -> None:
    # exemplars are drawn by the model hand, seed 0
    assert all(form_of(0, style, "ב") == LetterForm() for style in STYLES)
    near = np.mean([manner_of(hand.seed, hand.style).reach < 0.3 for hand in HANDS])
    assert 0.15 < near < 0.38


def test_what_is_a_hands_way_is_not_asked_about() -> None:
    # common practice, no source: a fault is what departs from the hand's own way
    soft = next(h for h in HANDS if form_of(h.seed, h.style, "ד").corner > 0.5)
    sharp = next(h for h in HANDS if form_of(h.seed, h.style, "ד").corner < 0.1)
    asked = _known_defects(drawn("ד", soft))
    assert asked is not None
    assert "corner_rounded" not in asked
    assert "leg_short" in asked
    assert "corner_rounded" not in drawn("ד", sharp).unasked
    plain = drawn("ד", soft)
    mark = DefectMark("corner_rounded", 1.2, 0.9)
    again = _known_defects(
        Glyph(plain.letter, plain.parts, plain.advance, defects=(mark,), unasked=plain.unasked)
    )
    assert again is None or "corner_rounded" in again


def lowest(letter: str, hand: Hand, part: str = "leg") -> float:
    return float(drawn(letter, hand).part(part).outline[:, 1].max())


def test_short_legs_keep_their_order_in_each_hand() -> None:
    # MS vav, final nun, final kaf: by its length alone each is told from the next; how much is the
    # hand's
    finals = []
    for hand in HANDS:
        vav, resh = lowest("ו", hand), lowest("ר", hand)
        nun, kaf = lowest("ן", hand), lowest("ך", hand)
        assert vav > 1.9, hand
        assert nun > vav + 0.6, hand
        assert kaf > resh + 0.35, hand
        finals.append(nun)
    assert min(finals) < 3.7, "some hands keep the final nun barely below the line"


def test_a_vav_is_narrower_than_the_resh_of_its_hand() -> None:
    # MS resh: a short roof makes it a vav
    for hand in HANDS:
        vav = np.ptp(drawn("ו", hand).part("head").outline[:, 0])
        resh = np.ptp(drawn("ר", hand).part("roof").outline[:, 0])
        assert vav < 0.72 * resh, hand


def test_hands_without_heels_have_rounder_arcs() -> None:
    # MS bet: heel and corner tell it from kaf; without the one the other must
    bare = [h for h in HANDS if manner_of(h.seed, h.style).plain > 0.5]
    assert len(bare) > 10
    for hand in bare:
        bet, kaf = (form_of(hand.seed, hand.style, letter) for letter in "בכ")
        assert 1.0 + kaf.arc > bet.corner + 0.6, hand
        assert "heel_missing" in drawn("ב", hand).unasked or bet.heel > 0.3, hand


def test_a_final_mem_round_below_is_squarer_than_its_samech() -> None:
    # Shabbat 103b: not samech as final mem, nor final mem as samech
    radii = [form_of(hand.seed, hand.style, "ם").under for hand in HANDS]
    for hand, radius in zip(HANDS, radii, strict=True):
        assert 0.85 + form_of(hand.seed, hand.style, "ס").arc > radius + 0.3, hand
    assert max(radii) > 0.5


def test_what_is_far_from_the_plain_fault_is_labelled_clean() -> None:
    # common practice, no source: a hand's way is asked about unless the fault itself looks so
    for hand in HANDS:
        dalet, vav = drawn("ד", hand), drawn("ו", hand)
        corner = form_of(hand.seed, hand.style, "ד").corner
        assert ("corner_rounded" in dalet.unasked) == (corner > 0.45), hand
        assert "leg_short" not in vav.unasked or lowest("ו", hand) < 2.85, hand


def test_the_prickle_of_a_yud_shows_in_every_hand() -> None:
    # MS yud; Mishnah Berurah 32:15: without its lower left point it is no yud
    for hand in HANDS:
        yud = drawn("י", hand)
        head, kotz = (yud.part(name).outline[:, 1].max() for name in ("head", "kotz"))
        assert "kotz_missing" in yud.unasked or kotz > head - 0.2, hand


def test_roofs_of_final_kafs_are_as_broad_as_those_of_type() -> None:
    # MS final kaf gives the leg in roofs, no width of the roof; type of the trade has 2.5 to 2.7 q
    # (measured), the narrowest scrolls 1.9 (measured)
    for hands in (HANDS, [draw_hand(seed, own_forms=0.0) for seed in range(120)]):
        roofs = [np.ptp(drawn("ך", hand).part("roof").outline[:, 0]) for hand in hands]
        assert np.quantile(roofs, 0.9) > 2.5
        assert 2.0 < np.median(roofs) < 2.5

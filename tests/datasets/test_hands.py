"""Hands drawn by seed: distinct, disjoint by split, of every style, with habits that go together.

Sources: OC 36, MS and Keset as gathered in the project's brief of scribal rules (section 2);
numbers marked `plan` are the ranges that the project set itself for spacing (brief, section 5.1).
"""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from crownlet.datasets.render.letterforms.draw_hand import SPLITS, draw_hand, split_of
from crownlet.datasets.render.letterforms.hand import STYLES, TAG_FORMS, Hand

MANY = [draw_hand(seed) for seed in range(1500)]


def values(name: str) -> np.ndarray:
    return np.array([float(getattr(hand, name)) for hand in MANY])


def test_the_same_seed_gives_the_same_hand() -> None:
    assert draw_hand(7, "heldout") == draw_hand(7, "heldout")


def test_hands_are_distinct() -> None:
    writing = {(hand.width, hand.vertical, hand.tag_height, hand.letter_gap) for hand in MANY}
    assert len(writing) == len(MANY)


def test_splits_share_no_hand() -> None:
    drawn = {split: {draw_hand(seed, split).seed for seed in range(400)} for split in SPLITS}
    assert all(len(seeds) == 400 for seeds in drawn.values())
    assert not drawn["train"] & drawn["calibrate"]
    assert not drawn["train"] & drawn["heldout"]
    assert not drawn["calibrate"] & drawn["heldout"]


@pytest.mark.parametrize("split", SPLITS)
def test_a_hand_knows_its_split(split: str) -> None:
    assert {split_of(draw_hand(seed, split)) for seed in range(50)} == {split}


@pytest.mark.parametrize("split", SPLITS)
@pytest.mark.parametrize("start", [0, 333])
def test_few_hands_show_every_style_and_tag_form(split: str, start: int) -> None:
    # Style families: OC 36:1 gloss; MB 36:5. Bare lines and formed tags: MB 36:12.
    hands = [draw_hand(seed, split) for seed in range(start, start + 30)]
    assert {hand.style for hand in hands} == set(STYLES)
    assert {hand.tag_form for hand in hands} == set(TAG_FORMS)


def test_flames_are_the_commonest_tags() -> None:
    # As in the photographs of scrolls that the project keeps for looking at.
    forms = Counter(hand.tag_form for hand in MANY)
    assert forms.most_common(1)[0][0] == "flame"
    assert min(forms.values()) > 0.08 * len(MANY)


def test_customs_of_single_and_lamed_tags() -> None:
    # Single tags are required at the outset only (MS under each letter), lamed's by custom (MS
    # lamed): hands with and without both are common.
    single, lamed = values("single_tags").mean(), values("lamed_tags").mean()
    assert 0.65 < single < 0.75
    assert 0.45 < lamed < 0.55


@pytest.mark.parametrize(
    ("name", "low", "high", "source"),
    [
        ("he_gap", 0.25, 1.0, "MS he: an average reader sees it; not above the roof's thickness"),
        (
            "width",
            0.7,
            1.2,
            "brief 2.1; condensed hands down to 0.7 are common practice, no source",
        ),
        ("slant", -4.0, 4.0, "brief 2.1; letters stand upright, Keset 5:2 gimel"),
        ("letter_gap", 0.08, 0.8, "brief 5.1"),
        ("word_gap", 0.8, 2.2, "plan; a small letter: OC 32:32 gloss"),
        ("line_pitch", 4.5, 7.0, "plan; a full line: OC 32:32 gloss; Keset 14:1"),
        (
            "horizontal",
            0.7,
            1.3,
            "MS bet: roof, white and base are a kulmus each; old hands heavier",
        ),
    ],
)
def test_ranges(name: str, low: float, high: float, source: str) -> None:
    drawn = values(name)
    assert low <= drawn.min() and drawn.max() <= high, source
    assert drawn.std() > 0.04 * (high - low), "a habit in which hands do not differ"


def test_tags_run_from_a_fifth_of_the_letter_to_more_than_it() -> None:
    heights = values("tag_height") / 3.0
    assert heights.min() >= 0.199
    assert heights.max() > 1.0
    assert 0.25 < np.median(heights) < 0.5


def test_hands_run_from_hairlines_to_heavy_and_from_narrow_to_wide() -> None:
    # MB 32:36, 41: thickness has no minimum. The rest is common practice, no source: a pen held at
    # 20 to 45 degrees, letters drawn together, heads askew.
    spread = {name: np.quantile(values(name), (0.02, 0.98)) for name in (
        "vertical", "width", "pen_angle", "head_tilt", "joint",
    )}  # fmt: skip
    assert spread["vertical"][0] < 0.36 and spread["vertical"][1] > 0.8
    assert spread["width"][0] < 0.76 and spread["width"][1] > 1.1
    assert spread["pen_angle"][1] > 44
    assert spread["head_tilt"][1] > 12
    assert spread["joint"][0] < 0.13 and spread["joint"][1] > 0.36


@pytest.mark.parametrize(
    ("one", "other", "sign"),
    [
        ("jitter", "rough", 1),
        ("jitter", "line_pitch", -1),
        ("vertical", "joint", 1),
        ("letter_gap", "word_gap", 1),
    ],
)
def test_habits_go_together(one: str, other: str, sign: int) -> None:
    assert sign * np.corrcoef(values(one), values(other))[0, 1] > 0.1


def test_every_field_is_drawn() -> None:
    model = Hand()
    for name in Hand.__dataclass_fields__:
        assert any(getattr(hand, name) != getattr(model, name) for hand in MANY[:50]), name


def test_wrong_use_is_refused() -> None:
    with pytest.raises(ValueError, match="unknown split"):
        draw_hand(0, "test")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="negative"):
        draw_hand(-1)

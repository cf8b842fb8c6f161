"""Letters drawn wider than their kind, and the doubt of shape, as columns of the table."""

from __future__ import annotations

import blocks
import numpy as np
import pytest

from crownlet.datasets.scribal.alphabet import index_of
from crownlet.datasets.scribal.texts import load_portion
from crownlet.infer.networks import weights_folder
from crownlet.infer.quality.familiarity import (
    load_usual_sizes,
    measure_extent,
    stretch_probability,
    stretch_ratios,
)
from crownlet.infer.records import Located, PageRecord
from crownlet.infer.thresholds import load_thresholds

CURVE = load_thresholds(weights_folder()).picture.stretch
LINES = [" ".join(line) for line in load_portion("mezuzah").lines or ()]


def ratios(text: str, factors: dict[int, float], hand: float = 1.0) -> np.ndarray:
    letter = np.array([index_of(char) for char in text])
    width = load_usual_sizes().width[letter] * hand
    for i, factor in factors.items():
        width[i] *= factor
    return stretch_ratios(width, letter)


@pytest.mark.parametrize("hand", [0.85, 1.0, 1.2])
@pytest.mark.parametrize("factor", [1.0, 1.5, 2.6])
def test_a_letter_against_its_kind_in_narrow_and_wide_hands(hand: float, factor: float) -> None:
    found = ratios("שמעישראליהוהאחדואהבת", {18: factor}, hand)
    assert found[18] == pytest.approx(factor, rel=0.1)
    p = stretch_probability(found, CURVE)
    # Half as wide again is what the rules call stretched (brief, 4.3, F14).
    assert (p[18] > 0.7) == (factor >= 1.5)
    assert np.delete(p, 18).max() < 0.1


def test_the_page_own_examples_count() -> None:
    # A hand that writes every dalet a third wider than others do: none of them is drawn out.
    text = "דבר" * 12
    wide = dict.fromkeys(range(0, len(text), 3), 1.33)
    assert stretch_probability(ratios(text, wide), CURVE).max() < 0.5
    wide[0] = 2.4
    p = stretch_probability(ratios(text, wide), CURVE)
    assert p[0] > 0.7
    assert p[1:].max() < 0.5


def test_sizes_follow_the_published_proportions() -> None:
    # Letters are three kulmus high and most of them wide; vav and final nun are a kulmus wide,
    # final letters reach down twice as far (Keset HaSofer 5:2; Mishnat Sofrim).
    width, below = (
        dict(zip("אבגדהוזחטיךכלםמןנסעףפץצקרשת", row, strict=True))
        for row in (load_usual_sizes().width, load_usual_sizes().below)
    )
    for char in "אבדהחטכםמסקרת":
        assert 2.4 < width[char] < 3.5
        assert (below[char] < 3.4) == (char != "ק")
    assert width["ו"] < 1.2 < width["ג"]
    assert min(below[char] for char in "ךןףץ") > 4.0


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_extents_in_the_letters_own_frame(turn: int) -> None:
    # A letter 30 wide, 12 above and 40 below its line, at (100, 100), turned clockwise.
    corners = np.array([[-15.0, -12.0], [15.0, 40.0]])
    angle = np.deg2rad(turn)
    rotation = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    points = corners @ rotation.T + 100.0
    box = np.concatenate([points.min(axis=0), points.max(axis=0)])[None]
    body = np.array([[100.0, 100.0, 30.0, float(turn)]])
    size = measure_extent(Located(body, box, np.ones(1), np.eye(27)[:1]))
    assert size.width[0] == pytest.approx(3.0)
    assert size.below[0] == pytest.approx(4.0)


def inspected(portion_name: str | None) -> PageRecord:
    image, _ = blocks.page(LINES[:4], 14.0)
    return blocks.inspector(blocks.BlockNetworks()).inspect(image, portion_name)


def test_large_letters_of_the_first_verse_are_not_asked() -> None:
    # Ayin of the first word, dalet of the last (Mishneh Torah, Tefillin 2:6).
    page = inspected("mezuzah")
    silent = [g for g in page.glyphs if g.p["overstretched"] is None]
    assert [(g.letter, g.word, g.place) for g in silent] == [("ע", 1, 3), ("ד", 6, 3)]
    assert all(g.p["overstretched"] is not None for g in inspected(None).glyphs)


def test_the_doubt_of_shape_is_what_the_letter_lacks() -> None:
    page = inspected(None)
    for glyph in page.glyphs:
        assert glyph.p["shape_doubt"] == pytest.approx(1.0 - glyph.letter_p)
    # It has borders of its own: its probability alone sends nothing anywhere.
    assert all("shape_doubt" not in g.reasons for g in page.glyphs)

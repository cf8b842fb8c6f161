"""Defects put into letters: the ink changes as the defect says, by the size that its mark claims.

OC = Orach Chayim, MB = Mishnah Berurah, MS = Mishnat Sofrim, Keset = Keset HaSofer. What counts as
one body, a ring or a contact is theirs; geometry is measured by shapely, pictures by OpenCV.
"""

from __future__ import annotations

from functools import cache
from itertools import combinations

import cv2
import numpy as np
import pytest
import shapely
from shapely.geometry import LineString, Polygon
from shapely.geometry.base import BaseGeometry
from shapes import ink, polygon

from crownlet.datasets.render.defects.apply import REGISTRY, applicable_defects, apply_defect
from crownlet.datasets.render.letterforms.build import build_letter
from crownlet.datasets.render.letterforms.draw_hand import SPLITS, draw_hand
from crownlet.datasets.render.letterforms.glyph import Glyph
from crownlet.datasets.render.letterforms.hand import STYLES, Hand
from crownlet.datasets.render.letterforms.tags import crown_letter, rails

LETTERS = "".join(chr(code) for code in range(0x5D0, 0x5EB))
# Men. 29b and MB 36:13 (three), bedek chaya (one), MS lamed (two).
COUNTS = dict.fromkeys("שעטנזגצןץ", 3) | dict.fromkeys("בדקחיה", 1) | {"ל": 2}
HANDS = [draw_hand(seed, split) for split in SPLITS for seed in range(6)]
PAIRS = [(name, letter) for letter in LETTERS for name in applicable_defects(letter)]
PX = 48


def whole(letter: str) -> tuple[int, int]:
    """Pieces and rings of the perfect letter: OC 36:2 (he and kuf hang free); Keset 5:3."""
    return (2, 0) if letter in "הק" else (1, 1) if letter in "סם" else (1, 0)


@cache
def clean(letter: str) -> tuple[tuple[Hand, Glyph], ...]:
    glyphs = []
    for hand in HANDS:
        rng = np.random.default_rng([hand.seed & 0xFFFF, ord(letter)])
        glyph = build_letter(letter, hand, rng)
        glyphs.append((hand, crown_letter(glyph, hand, rng, COUNTS.get(letter, 0))))
    return tuple(glyphs)


def spoilt(name: str, letter: str, plainness: float) -> list[tuple[Glyph, Glyph]]:
    """The clean glyph and the one with the defect, over hands of all styles."""
    pairs = []
    for k, (hand, glyph) in enumerate(clean(letter)):
        changed = apply_defect(name, glyph, hand, np.random.default_rng(k), plainness)
        if changed is not None:
            pairs.append((glyph, changed))
    return pairs


def rest(glyph: Glyph, *names: str) -> BaseGeometry:
    return ink(glyph, *(part.name for part in glyph.parts if part.name not in names))


def form(area: BaseGeometry) -> tuple[int, int]:
    """Pieces and rings, crumbs below 0.05 q across left out."""
    pieces = [piece for piece in getattr(area, "geoms", [area]) if piece.area > 0.002]
    rings = [ring for piece in pieces for ring in piece.interiors]
    return len(pieces), sum(Polygon(ring).area > 0.004 for ring in rings)


def pixels(glyph: Glyph) -> np.ndarray:
    x0, y0, x1, y1 = glyph.bounds()
    image = np.zeros((int((y1 - y0 + 1) * PX), int((x1 - x0 + 1) * PX)), np.uint8)
    for value, outlines in ((1, [part.outline for part in glyph.parts]), (0, glyph.cuts)):
        for outline in outlines:
            points = np.round((outline - (x0 - 0.5, y0 - 0.5)) * PX).astype(np.int32)
            cv2.fillPoly(image, [points], value)
    return image


def counted(image: np.ndarray) -> tuple[int, int]:
    """Pieces of ink (8-connected) and whites shut in, each of at least 12 pixels."""
    pieces = cv2.connectedComponentsWithStats(image, connectivity=8)[2][1:]
    whites = cv2.connectedComponentsWithStats(1 - image, connectivity=4)[2][1:]
    areas = cv2.CC_STAT_AREA
    return int((pieces[:, areas] > 12).sum()), int((whites[:, areas] > 12).sum()) - 1


@pytest.mark.parametrize(("name", "letter"), PAIRS)
@pytest.mark.parametrize("plainness", [0.4, 0.7, 1.0])
def test_every_pair_works_over_hands_of_all_styles(
    name: str, letter: str, plainness: float
) -> None:
    made = dict.fromkeys(STYLES, 0)
    for k, (hand, glyph) in enumerate(clean(letter)):
        changed = apply_defect(name, glyph, hand, np.random.default_rng(k), plainness)
        if changed is None:
            continue
        made[hand.style] += 1
        mark = changed.defects[-1]
        assert (mark.name, mark.plainness) == (name, plainness)
        assert mark.size > 0
        # What flakes may have cut besides, or a yud that leans, is marked as doubtful.
        others = [m for m in changed.defects[:-1] if m.name != "tag_bare"]
        others = [m for m in others if (m.size, m.plainness) != (0, 0.5)]
        assert others == [m for m in glyph.defects if m.name != "tag_bare"]
        assert ink(glyph).symmetric_difference(ink(changed)).area > 0.0005
    # A chet without hump has no joint to part: MS chet. Yuds are drawn without a kotz by some.
    if (name, letter) == ("part_loose", "ח"):
        made.pop("vellish")
    assert min(made.values()) > 0


@pytest.mark.parametrize(("name", "letter"), PAIRS)
def test_at_plainness_nought_there_is_nothing_to_see(name: str, letter: str) -> None:
    for glyph, changed in spoilt(name, letter, 0.0):
        assert ink(glyph).symmetric_difference(ink(changed)).area < 0.02
        assert changed.tags == glyph.tags


@pytest.mark.parametrize(("name", "letter"), PAIRS)
def test_plainer_is_more(name: str, letter: str) -> None:
    # Same hands and chances: each step of the knob changes more of the ink.
    change = []
    for plainness in (0.2, 0.5, 1.0):
        pairs = spoilt(name, letter, plainness)
        areas = [ink(a).symmetric_difference(ink(b)).area for a, b in pairs]
        change.append(float(np.mean(areas)))
    # Near a parting or a contact the ink has moved already, before it shows.
    moved = ("part_loose", "tag_loose", "tag_merged", "leg_touches_roof")
    assert change[1] > (0.4 if name in moved else 1.0) * change[0]
    # A tag that has wholly left its place cannot change more ink: there the contact grows.
    assert change[2] >= (0.9 if name == "tag_merged" else 1.0) * change[1]
    sizes = [np.mean([b.defects[-1].size for _, b in spoilt(name, letter, p)]) for p in (0.5, 1)]
    assert sizes[1] > sizes[0] or name in ("tag_missing", "tag_bare", "tag_excess")  # counted


@pytest.mark.parametrize("letter", REGISTRY["part_loose"].letters)
@pytest.mark.parametrize("plainness", [0.4, 0.7, 1.0])
def test_a_loose_part_is_a_piece_of_its_own(letter: str, plainness: float) -> None:
    # One body: OC 36:2; even a separation too fine to notice counts: MB 36:8-9.
    for glyph, changed in spoilt("part_loose", letter, plainness):
        pieces, rings = whole(letter)
        assert form(ink(changed)) == (pieces + 1, rings)
        mark = changed.defects[-1]
        gap = ink(changed, *mark.parts).distance(rest(changed, *mark.parts))
        assert gap == pytest.approx(mark.size, abs=0.03)
        if gap > 0.08:
            assert counted(pixels(changed)) == (pieces + 1, rings)
        assert changed.tags == glyph.tags


@pytest.mark.parametrize("name", ["part_loose", "stroke_broken", "tag_loose"])
def test_a_thin_line_left_is_not_a_break(name: str) -> None:
    # Thin is not broken: MB 32:36, 41.
    for letter in REGISTRY[name].letters:
        for _glyph, changed in spoilt(name, letter, 0.25):
            assert form(ink(changed))[0] == whole(letter)[0]
            assert changed.defects[-1].size == 0


@pytest.mark.parametrize("letter", REGISTRY["stroke_broken"].letters)
@pytest.mark.parametrize("plainness", [0.4, 1.0])
def test_a_broken_stroke_falls_in_two(letter: str, plainness: float) -> None:
    # MB 36:8-9; 32:52.
    for _glyph, changed in spoilt("stroke_broken", letter, plainness):
        pieces, rings = whole(letter)
        assert form(ink(changed)) == (pieces + 1, rings)
        if plainness == 1.0:
            assert counted(pixels(changed)) == (pieces + 1, rings)
        if pieces == 1:
            one, other = (p for p in ink(changed).geoms if p.area > 0.002)
            assert one.distance(other) == pytest.approx(changed.defects[-1].size, abs=0.04)


@pytest.mark.parametrize("letter", "סם")
@pytest.mark.parametrize("plainness", [0.25, 0.4, 1.0])
def test_an_open_ring_is_no_ring(letter: str, plainness: float) -> None:
    # Closed on all sides, even of a hair: Keset 5:3; 9:4.
    for _glyph, changed in spoilt("ring_open", letter, plainness):
        rings = 1 if plainness < 1 / 3 else 0
        assert form(ink(changed)) == (1, rings)
        if plainness == 1.0:
            assert counted(pixels(changed)) == (1, 0)
        assert (changed.defects[-1].size > 0) == (rings == 0)


@pytest.mark.parametrize("letter", COUNTS)
@pytest.mark.parametrize("plainness", [0.4, 0.7, 1.0])
def test_loose_tags_are_pieces_of_their_own(letter: str, plainness: float) -> None:
    # A tag that does not touch its letter: MB 36:13; Keset 5:4.
    for glyph, changed in spoilt("tag_loose", letter, plainness):
        mark = changed.defects[-1]
        assert form(ink(changed))[0] == whole(letter)[0] + len(mark.parts)
        body = rest(changed, *(tag.name for tag in changed.of_kind("tag")))
        gap = min(ink(changed, name).distance(body) for name in mark.parts)
        assert gap == pytest.approx(mark.size, abs=0.03)
        if mark.size > 0.08:
            assert counted(pixels(changed))[0] == whole(letter)[0] + len(mark.parts)
        assert changed.tags == glyph.tags == COUNTS[letter]


@pytest.mark.parametrize("letter", REGISTRY["tag_merged"].letters)
def test_merged_tags_touch_and_near_ones_do_not(letter: str) -> None:
    # Tags touching one another, at head, side or base: MB 36:13.
    for plainness in (0.25, 0.4, 1.0):
        for glyph, changed in spoilt("tag_merged", letter, plainness):
            mark = changed.defects[-1]
            body = rest(changed, *(tag.name for tag in changed.of_kind("tag")))
            free = [polygon(changed.part(name)).difference(body) for name in mark.parts]
            touching = any(one.intersects(other) for one, other in combinations(free, 2))
            assert touching == (plainness > 1 / 3) == (mark.size > 0)
            assert form(ink(changed))[0] == whole(letter)[0]
            assert changed.tags == glyph.tags


@pytest.mark.parametrize("letter", COUNTS)
def test_missing_tags_are_gone(letter: str) -> None:
    # None or fewer than the rule: OC 36:3; MB 36:15.
    for glyph, changed in spoilt("tag_missing", letter, 1.0):
        left = changed.of_kind("tag")
        assert changed.tags == len(left) == glyph.tags - changed.defects[-1].size
        assert form(ink(changed)) == whole(letter)
        if not left:
            assert [mark.name for mark in changed.defects] == ["tag_missing"]
            # A chet's hump may be higher than its tag.
            assert changed.bounds()[1] > glyph.bounds()[1] or glyph.has("hump")


def test_some_lose_all_tags_and_some_only_one_or_two() -> None:
    lost = {changed.defects[-1].size for _, changed in spoilt("tag_missing", "ש", 1.0)}
    assert lost == {1, 2, 3}


@pytest.mark.parametrize("letter", REGISTRY["tag_bare"].letters)
def test_bare_tags_are_of_even_width(letter: str) -> None:
    # A bare line instead of a tiny zayin: MB 36:12.
    for glyph, changed in spoilt("tag_bare", letter, 1.0):
        bare = changed.defects[-1].parts
        assert 1 <= len(bare) <= len(glyph.of_kind("tag"))
        for before, after in zip(glyph.of_kind("tag"), changed.of_kind("tag"), strict=True):
            if after.name not in bare:
                assert np.array_equal(before.outline, after.outline)
                continue
            widths = [np.hypot(*np.subtract(*rails(tag.outline)).T) for tag in (before, after)]
            assert widths[1].max() < 1.1 * widths[1].min()
            assert widths[1].max() < 0.75 * widths[0].max()


def test_one_bare_line_among_headed_tags_is_drawn_as_often_as_a_bare_crown() -> None:
    # Each tag of a crown is to be formed (MB 36:12); how often one alone is not: no source.
    counts = [len(changed.defects[-1].parts) for _, changed in spoilt("tag_bare", "ש", 1.0)]
    assert 0.3 < np.mean(np.array(counts) < 3) < 0.7


def test_a_hand_of_bare_lines_is_marked_by_its_crowns() -> None:
    bare = [(hand, glyph) for hand, glyph in clean("ש") if hand.tag_form == "bare"]
    assert bare
    for hand, glyph in bare:
        assert apply_defect("tag_bare", glyph, hand, np.random.default_rng(0)) is None
        assert glyph.defects[-1].name == "tag_bare"


@pytest.mark.parametrize("letter", "הק")
@pytest.mark.parametrize("plainness", [0.25, 0.4, 0.7, 1.0])
def test_a_leg_that_touches_makes_one_body(letter: str, plainness: float) -> None:
    # Even by a hair: OC 32:18; MB 32:82-83. Too near but apart is no contact: MB 36:10.
    for _glyph, changed in spoilt("leg_touches_roof", letter, plainness):
        touching = plainness > 1 / 3
        assert form(ink(changed)) == ((1, 0) if touching else (2, 0))
        assert counted(pixels(changed))[0] == (1 if touching else 2)
        assert (changed.defects[-1].size > 0) == touching


@pytest.mark.parametrize("letter", "הק")
def test_width_of_the_contact(letter: str) -> None:
    for _glyph, changed in spoilt("leg_touches_roof", letter, 0.7):
        if not changed.has("bridge"):
            continue
        leg, roof = changed.part("leg_left").outline, polygon(changed.part("roof"))
        x = float(leg[leg[:, 1].argmin(), 0])
        lower = roof.intersection(LineString([(x, -1), (x, 2)])).bounds[3]
        y = (lower + float(leg[:, 1].min())) / 2
        across = polygon(changed.part("bridge")).intersection(LineString([(-1, y), (4, y)]))
        assert across.length == pytest.approx(changed.defects[-1].size, abs=0.03)


def test_gimels_right_foot() -> None:
    # Thin and a little lower than the left: MS gimel.
    for plainness, low, high in ((0.2, 0.02, 1.0), (0.67, -0.06, 0.06), (1.0, -0.6, -0.15)):
        for glyph, changed in spoilt("foot_level", "ג", plainness):
            lower = [
                float(g.part("leg").outline[:, 1].max() - g.part("foot").outline[:, 1].max())
                for g in (glyph, changed)
            ]
            assert low <= lower[1] <= high
            assert lower[0] - lower[1] == pytest.approx(changed.defects[-1].size, abs=0.01)
            assert form(ink(changed)) == (1, 0)


@pytest.mark.parametrize("letter", "בד")
def test_without_heel_the_corner_is_flush(letter: str) -> None:
    # The heel stands out behind the corner: MS bet (below), MS dalet (above).
    for glyph, changed in spoilt("heel_missing", letter, 1.0):
        right = [ink(g, "heel", "base").bounds[2] for g in (glyph, changed)]
        assert right[0] - right[1] == pytest.approx(changed.defects[-1].size, abs=0.03)
        limb = ink(changed, "wall", "roof").bounds[2]
        assert right[1] - limb < 0.05
        assert form(ink(changed)) == (1, 0)


def test_without_kotz_the_yud_is_smooth_below() -> None:
    # The lower left point of the yud: MS yud; MB 32:15.
    pairs = spoilt("kotz_missing", "י", 1.0)
    assert pairs
    for glyph, changed in pairs:
        kotz = Polygon(glyph.part("kotz").outline)
        body = rest(glyph, "kotz")
        stood_out = max(body.distance(shapely.Point(p)) for p in kotz.exterior.coords)
        assert stood_out == pytest.approx(changed.defects[-1].size, abs=0.03)
        assert not changed.has("kotz")


@pytest.mark.parametrize("letter", REGISTRY["head_melted"].letters)
def test_a_melted_head_is_a_bar_of_even_width(letter: str) -> None:
    # OC 32:18 gloss; MS alef, end; MB 32:90. A thick joint with a plain head is no harm: MB 32:87.
    for glyph, changed in spoilt("head_melted", letter, 1.0):
        head, stalk = changed.defects[-1].parts
        unevenness = []
        for g in (glyph, changed):
            line = np.array(rails(g.part(stalk).outline)).mean(axis=0)
            along = np.array([0.0, 1.0]) if g.part(head).kind == "drop" else line[3] - line[0]
            across = np.array([-along[1], along[0]]) / np.hypot(*along)
            sides = rails(g.part(stalk).outline)
            k = len(line) // 2 if g.part(stalk).kind == "joint" else len(line) // 4
            stalk_width = float(np.hypot(*(sides[0][k] - sides[1][k])))
            unevenness.append(float(np.ptp(g.part(head).outline @ across)) / stalk_width)
        assert unevenness[1] < 1.45
        assert unevenness[1] < 0.8 * unevenness[0]
        assert changed.defects[-1].size == pytest.approx(stalk_width, abs=0.03)
        assert form(ink(changed))[0] == 1


@pytest.mark.parametrize("letter", REGISTRY["yud_misplaced"].letters)
def test_a_misplaced_yud_is_joined_and_off_its_place(letter: str) -> None:
    # In line with the body: MS tsadi; on the middle of the body: MS alef. Joined: one body.
    for glyph, changed in spoilt("yud_misplaced", letter, 1.0):
        mark = changed.defects[-1]
        before, after = (ink(g, mark.parts[0]).centroid for g in (glyph, changed))
        assert before.distance(after) == pytest.approx(mark.size, abs=0.08)
        assert mark.size > 0.4
        assert form(ink(changed))[0] == 1


def test_wrong_use_is_refused() -> None:
    hand, glyph = clean("ש")[0]
    rng = np.random.default_rng(0)
    with pytest.raises(ValueError, match="unknown defect"):
        apply_defect("tag_lost", glyph, hand, rng)
    with pytest.raises(ValueError, match="plainness"):
        apply_defect("tag_loose", glyph, hand, rng, 1.5)


def test_a_defect_that_does_not_apply_changes_nothing() -> None:
    hand, glyph = clean("ר")[0]
    rng = np.random.default_rng(0)
    assert apply_defect("tag_missing", glyph, hand, rng) is None
    hand, glyph = clean("ש")[0]
    once = apply_defect("part_loose", glyph, hand, rng)
    assert once is not None
    assert apply_defect("part_loose", once, hand, rng) is None
    uncrowned = build_letter("ש", hand, rng)
    assert apply_defect("tag_loose", uncrowned, hand, rng) is None


def test_letters_agree_with_the_catalogue() -> None:
    # The catalogue states the letters with their sources.
    catalogue = pytest.importorskip("crownlet.datasets.scribal.catalogue").CATALOGUE
    for name, entry in REGISTRY.items():
        assert set(entry.letters) == set(catalogue[name].letters), name

"""Lengths on the ink: edges between pixels, known shapes, rendered letters of known sizes."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections import Counter, defaultdict
from pathlib import Path

import cv2
import measure_truth
import numpy as np
import numpy.typing as npt
import pytest

from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.infer.inspector import Inspector
from crownlet.infer.measure.edges import (
    bottom_edges,
    gap_edges,
    left_edges,
    right_edges,
    shows_skin,
    top_edges,
)
from crownlet.infer.measure.letters import MEASURE_LIMITS, limit_of, nearer_limit
from crownlet.infer.records import MeasureClaim, Measurement, PageRecord
from crownlet.infer.run.tables import read_measures, write_measures
from crownlet.infer.view import rulers as drawing
from crownlet.infer.view.lengths import (
    describe_crowns,
    describe_length,
    label_length,
    shown_measures,
    split_crowns,
)

ALLOWED = 0.1
"""Error in q that the issue allows at 64 px a body."""


def covered(width: float, height: float, x: float, y: float) -> npt.NDArray[np.float32]:
    """Share of each of 40 x 40 px covered by a rectangle with corner (x, y), by exact areas."""
    edges = np.arange(41.0)
    across = np.clip(np.minimum(edges[1:], x + width) - np.maximum(edges[:-1], x), 0, 1)
    down = np.clip(np.minimum(edges[1:], y + height) - np.maximum(edges[:-1], y), 0, 1)
    return np.outer(down, across).astype(np.float32)


@pytest.mark.parametrize("shift", [0.0, 0.2, 0.5, 0.73])
def test_edges_fall_between_pixels(shift: float) -> None:
    # A rectangle's own corners; a pixel that it covers by a share has that share of its darkness.
    dark = covered(17.0, 12.0, 9.0 + shift, 7.0 + shift)
    middle = slice(12, 24)
    assert top_edges(dark)[middle] == pytest.approx(7.0 + shift, abs=0.26)
    assert bottom_edges(dark)[middle] == pytest.approx(19.0 + shift, abs=0.26)
    assert np.nanmedian(left_edges(dark)) == pytest.approx(9.0 + shift, abs=0.26)
    assert np.nanmedian(right_edges(dark)) == pytest.approx(26.0 + shift, abs=0.26)
    assert np.isnan(top_edges(dark)[2])


@pytest.mark.parametrize("gap", [1.6, 2.3, 4.0, 7.7])
@pytest.mark.parametrize("blur", [0.0, 0.8, 1.4])
def test_a_known_white_between_two_strokes(gap: float, blur: float) -> None:
    dark = covered(9.0, 20.0, 5.3, 10.0) + covered(9.0, 20.0, 14.3 + gap, 10.0)
    if blur:
        dark = cv2.GaussianBlur(dark, (0, 0), blur)
    a, b = np.array([10.0, 20.2]), np.array([19.0 + gap, 20.2])
    start, end = gap_edges(dark, a, b)
    narrow = gap < 3 * blur  # a blur fills what is narrower than itself
    if not narrow:
        assert end[0] - start[0] == pytest.approx(gap, abs=0.3)
        assert start[0] == pytest.approx(14.3, abs=0.3)
        assert end[1] == pytest.approx(20.2)
    assert shows_skin(dark, start, end) or gap < 3.5 * max(blur, 0.5)


def test_ink_faded_to_a_third_is_no_white() -> None:
    dark = np.maximum(covered(30.0, 9.0, 4.0, 10.0) * 0.35, covered(9.0, 9.0, 4.0, 10.0))
    dark = np.maximum(dark, covered(9.0, 9.0, 25.0, 10.0))
    start, end = gap_edges(dark, np.array([8.0, 14.0]), np.array([30.0, 14.0]))
    assert end[0] - start[0] > 8.0
    assert not shows_skin(dark, start, end)
    # Just above the pale bar there is skin, but the bar is near.
    above = np.array([0.0, -5.5])
    assert shows_skin(dark, start + above, end + above)
    assert not shows_skin(dark, start + above, end + above, beside=3.0)


@pytest.fixture(scope="module")
def inspector() -> Inspector:
    return Inspector(measure="all")


@pytest.fixture(scope="module")
def errors() -> dict[str, list[float]]:
    defects = ("part_loose", "foot_level", "leg_short", "ring_open")
    return measure_truth.errors(range(36, 38), (None, *defects), 64.0)


@pytest.mark.parametrize(
    "name",
    ["foot_drop", "head_gap", "heel", "left_leg_length", "leg_gap", "leg_length", "length",
     "opening", "part_gap", "tag_height"],
)  # fmt: skip
def test_errors_against_the_outlines_drawn(errors: dict[str, list[float]], name: str) -> None:
    # Truth: the outlines that the renderer drew, by shapely (held-out hand, 64 px a body).
    sizes = np.abs(errors[name])
    assert len(sizes) >= 5
    assert np.median(sizes) < 0.5 * ALLOWED
    assert np.percentile(sizes, 90) < ALLOWED


def by_place(record: PageRecord) -> dict[tuple[int, int, str], list[float]]:
    found: dict[tuple[int, int, str], list[float]] = defaultdict(list)
    # Counted in its line: letters at random have no words, and where they part is a hair's matter.
    seen: Counter[int] = Counter()
    places = {}
    for glyph in record.glyphs:
        places[glyph.glyph] = (glyph.line, seen[glyph.line])
        seen[glyph.line] += 1
    for m in record.measurements:
        found[*places[m.glyph], m.name].append(m.q)
    return found


@pytest.mark.parametrize("turn", [90, 180, 270])
def test_a_turned_page_is_measured_alike(inspector: Inspector, turn: int) -> None:
    truth = measure_truth.page(None, 33, letters=70)
    upright = inspector.inspect(truth.image)
    turned_image = np.ascontiguousarray(np.rot90(truth.image, -turn // 90))
    turned = inspector.inspect(turned_image)
    assert turned.turn == turn
    one, other = by_place(upright), by_place(turned)
    both = [key for key in one if key in other and len(one[key]) == len(other[key])]
    assert len(both) > 0.9 * len(one)
    apart = [abs(a - b) for key in both for a, b in zip(one[key], other[key], strict=True)]
    assert np.percentile(apart, 90) < ALLOWED
    # Rulers lie on the picture as it was given: the way over a gap starts and ends at its edges.
    gray = turned_image if turned_image.ndim == 2 else turned_image[..., 0]
    for m in turned.measurements:
        if m.name == "head_gap" and m.q > 0.3:
            x, y = ((m.start[k] + m.end[k]) / 2 for k in (0, 1))
            assert gray[int(y), int(x)] > 150


def test_the_same_picture_gives_the_same_measures(inspector: Inspector) -> None:
    image = measure_truth.page("tag_missing", 34, letters=60).image
    assert inspector.inspect(image).measurements == inspector.inspect(image).measurements


def test_small_letters_are_not_measured(inspector: Inspector) -> None:
    image = measure_truth.page(None, 35, letters=80).image
    small = cv2.resize(image, None, fx=16.9 / 64, fy=16.9 / 64, interpolation=cv2.INTER_AREA)
    assert inspector.inspect(np.asarray(small, np.uint8)).measurements == ()


def test_borders_and_the_books() -> None:
    for limit in MEASURE_LIMITS:
        assert all(
            CATALOGUE[limit.defect].applies_to(c) for c in limit.letters if len(limit.letters) < 9
        )
        assert limit.answer(limit.there) == "there"
        assert limit.answer(limit.not_there) == "not_there"
    limits = {c: nearer_limit("length", c, q) for c, q in {"ן": 5.0, "ו": 3.0, "ז": 3.0}.items()}
    # Mishnat Sofrim: vav and zayin three pens with the head, the final nun four and more.
    assert limits["ו"] is not None and limits["ו"].answer(3.0) == "not_there"
    assert limits["ז"] is not None and limits["ז"].answer(3.0) == "not_there"
    nun = limit_of("length", "leg_short", "ן")
    assert nun is not None and nun.answer(3.7) == "there" and nun.answer(4.3) == "not_there"
    # A vav as long as a final nun is no vav (Mishnat Sofrim, vav).
    long = nearer_limit("length", "ו", 4.0)
    assert long is not None and (long.defect, long.answer(4.0)) == ("leg_long", "there")
    # Mishnat Sofrim, gimel: the right foot lower than the left one.
    foot = limit_of("foot_drop", "foot_level", "ג")
    assert foot is not None and foot.answer(-0.1) == "there" and foot.answer(0.3) == "not_there"
    # Orach Chayim 32:18: the leg of he touches or it does not.
    leg = limit_of("leg_gap", "leg_touches_roof", "ה")
    assert leg is not None and leg.answer(0.0) == "there" and leg.answer(0.5) == "not_there"


TAKEN = (
    Measurement(3, "foot_drop", 0.21, 0.15, (10.0, 20.0), (10.0, 28.5), "foot_level", "not_there"),
    Measurement(9, "leg_gap", 0.0, None, (55.5, 40.0), (55.5, 40.0), "leg_touches_roof", "there"),
)


def test_the_table_is_read_back(tmp_path: Path) -> None:
    path = tmp_path / "מידות measures.csv"
    write_measures(path, TAKEN)
    assert read_measures(path) == TAKEN
    lines = path.read_bytes().split(b"\r\n")
    assert lines[0] == b"glyph,measure,q,mm,x0,y0,x1,y1,defect,claim"
    path.write_bytes(path.read_bytes().replace(b"there", b"maybe", 1))
    with pytest.raises(ValueError, match="row 2 is no measure"):
        read_measures(path)


def test_rulers_stand_where_they_were_taken() -> None:
    text = drawing.draw_rulers((0.5, 3.0, -2.0), (90, 80), TAKEN)
    root = ET.fromstring(text)
    space = "{http://www.w3.org/2000/svg}"
    (path, _) = root.findall(f".//{space}path")
    assert path.attrib["d"].startswith("M8.0 8.0L8.0 12.2")
    (ring, _) = root.findall(f".//{space}circle")
    assert (ring.attrib["cx"], ring.attrib["cy"]) == ("30.8", "18.0")
    figures = root.findall(f".//{space}text")
    assert [f.text for f in figures] == ["1", "1: 0.1 mm", "2", "2: none"]
    alone = ET.fromstring(drawing.draw_rulers((0.5, 3.0, -2.0), (90, 80), TAKEN[:1]))
    assert [f.text for f in alone.findall(f".//{space}text")] == ["0.1 mm"]
    assert all(0 <= float(f.attrib["x"]) <= 90 and 0 <= float(f.attrib["y"]) <= 80 for f in figures)


@pytest.mark.parametrize(("start", "end"), [((40, 50), (48, 50)), ((50, 30), (50, 42)),
                                            ((40, 40), (46, 47))])  # fmt: skip
def test_a_ruler_lies_outside_the_letter_and_keeps_its_length(
    start: tuple[float, float], end: tuple[float, float]
) -> None:
    box, size = (30.0, 25.0, 60.0, 65.0), (120, 120)
    moved = drawing.set_aside(start, end, box, 5.0, size)
    # Translation keeps lengths and directions.
    shift = [(b[0] - a[0], b[1] - a[1]) for a, b in zip((start, end), moved, strict=True)]
    assert shift[0] == pytest.approx(shift[1])
    middle = [(a + b) / 2 for a, b in zip(*moved, strict=True)]
    assert not (box[0] < middle[0] < box[2] and box[1] < middle[1] < box[3])
    assert all(0 < x < size[0] and 0 < y < size[1] for x, y in moved)


def test_a_place_without_length_is_pointed_at_from_below_the_letter() -> None:
    tail, head = drawing.set_aside((45.0, 40.0), (45.0, 40.0), (30, 25, 60, 65), 5.0, (120, 120))
    assert tail[1] > head[1] > 65
    assert tail[0] == head[0] == 45


def _crown(q: float, claim: MeasureClaim) -> Measurement:
    at = (0.0, 0.0)
    return Measurement(1, "tag_height", q, 0.8 * q, at, at, "tag_missing", claim)


def test_crowns_that_stand_are_shown_by_their_heights_and_a_missing_one_where_none_stands() -> None:
    """A missing crown has no place of its own beside those that stand."""
    at = (0.0, 0.0)
    stands, missing = _crown(1.0, "not_there"), _crown(0.0, "there")
    foot = Measurement(1, "foot_drop", 0.3, 0.2, at, at, "foot_level", "not_there")
    assert shown_measures([stands, missing, foot]) == (stands, foot)
    assert shown_measures([missing, foot]) == (missing, foot)
    assert label_length(missing.q, missing.mm) == label_length(missing.q) == "none"


@pytest.mark.parametrize(
    ("heights", "claim", "seen", "words"),
    [
        ((), "there", 0, "no crown measured"),
        ((), "there", 1, "crown height not measured"),
        ((), "unclear", 0, "crown height not measured"),
        ((1.0,), "there", 1, "crown height one pen width, 0.8 mm; no further crown measured"),
        ((1.0,), "there", 2, "crown height one pen width, 0.8 mm; not measured on every crown"),
        ((1.0, 0.5), "there", 1, "crown height one pen width, 0.8 mm; half a pen width, 0.4 mm; "
         "on more crowns than the network sees"),
    ],
)  # fmt: skip
def test_heights_of_crowns_never_contradict_their_number(
    heights: tuple[float, ...], claim: MeasureClaim, seen: int, words: str
) -> None:
    """Beside "1 crown seen" stood "crown height none". The words are this project's own: common
    practice, no source."""
    measures = [*(_crown(q, "not_there") for q in heights), _crown(0.0, claim)]
    crowns, others = split_crowns(measures)
    assert others == ()
    assert describe_crowns(crowns, seen) == words


def test_crowns_that_all_stand_are_measures_as_any() -> None:
    stands = _crown(1.0, "not_there")
    assert split_crowns([stands]) == ((), (stands,))


@pytest.mark.parametrize(
    ("q", "mm", "words"),
    [
        (0.05, None, "a hair"), (0.29, 0.19, "a quarter of a pen width, 0.2 mm"),
        (0.5, 0.4, "half a pen width, 0.4 mm"), (1.0, None, "one pen width"),
        (1.55, None, "1½ pen widths"), (3.1, 2.04, "3 pen widths, 2.0 mm"),
        (-0.3, None, "a quarter of a pen width, the other way"),
        (0.02, 0.01, "a hair, less than 0.1 mm"), (0.0, 0.0, "none"),
    ],
)  # fmt: skip
def test_lengths_are_words(q: float, mm: float | None, words: str) -> None:
    """This project's own words (common practice, no source)."""
    assert describe_length(q, mm) == words

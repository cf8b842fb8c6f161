"""Judgements that a picture cannot carry are not made, letter by letter and for whole pages."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import blocks
import cv2
import numpy as np
import pytest

from crownlet.datasets.scribal.catalogue import CATALOGUE, GLYPH_DEFECTS
from crownlet.infer.networks import weights_folder
from crownlet.infer.quality.legibility import find_illegible
from crownlet.infer.quality.measures import PictureMeasures
from crownlet.infer.records import PageRecord
from crownlet.infer.run import write as writer
from crownlet.infer.thresholds import load_thresholds

CROWN_DEFECTS = tuple(name for name in GLYPH_DEFECTS if CATALOGUE[name].family == "crowns")
MEASURED_TABLE = Path(__file__).parents[2] / "train/calibration/picture_needs.md"
NEEDS = load_thresholds(weights_folder()).picture.needs
LINES = ["שעטנזגצ"] * 6


def inspect(image: np.ndarray) -> PageRecord:
    networks = blocks.BlockNetworks({("ע", "tag_loose"): 0.99, ("ע", "part_loose"): 0.99})
    return blocks.inspector(networks).inspect(image)


def measures(count: int = 10, **changes: object) -> PictureMeasures:
    good = PictureMeasures(
        np.full(count, 30.0), np.full(count, 2.0), np.full(count, 0.7), np.zeros(count),
        np.zeros(count), np.full(count, 150.0), 2.0,
    )  # fmt: skip
    return replace(good, **changes)  # type: ignore[arg-type]


def test_a_good_picture_forbids_nothing() -> None:
    found = find_illegible(measures(), NEEDS)
    assert found.unresolved == ()
    assert found.sentences == ()
    assert not any(bad.any() for bad in found.letters.values())


COLUMNS_OF_GROUP = {
    "no_crown": ("no crown",), "crowns": ("fewer", "excess", "bare", "loose, merged"),
    "hairlines": ("hairlines",), "parts": ("parts",), "form": ("form",),
}  # fmt: skip
"""Columns of the table of measurements that a group's need rests on."""


@pytest.mark.parametrize("group", COLUMNS_OF_GROUP)
def test_each_need_keeps_to_where_detection_and_false_alarms_were_measured(group: str) -> None:
    # The table of train/calibration/picture_needs.md: named of plain cases / false findings, %.
    need, rows = NEEDS.groups[group], measured_rows()
    allowed = [row for row in rows if carries(row, need.q_px, need.edge_q)]
    assert len(allowed) >= 5
    for row in allowed:
        for column in COLUMNS_OF_GROUP[group]:
            named, false, _ = (float(v) for v in row[column].split("/"))
            assert named >= 90, (row["step"], column)
            assert false <= 1.2, (row["step"], column)


def carries(row: dict[str, str], q_px: float, edge_q: float) -> bool:
    return float(row["true q px"]) >= q_px and float(row["edge q"]) <= edge_q


def measured_rows() -> list[dict[str, str]]:
    lines = MEASURED_TABLE.read_text("utf-8").splitlines()
    cells = [[v.strip() for v in line.strip("|").split("|")] for line in lines if line[:1] == "|"]
    return [dict(zip(cells[0], row, strict=True)) for row in cells[2:]]


def test_presence_of_crowns_needs_less_than_their_number() -> None:
    # At 6 px a kulmus a stem of 0.12 to 0.2 kulmus is about one pixel wide.
    found = find_illegible(measures(q_px=np.full(10, 6.0), edge_px=np.ones(10)), NEEDS)
    assert "crowns" in found.unresolved
    assert found.letters["crowns"].all()
    assert not found.letters["no_crown"].any()
    assert not found.letters["form"].any()
    # At 600 dpi a mezuzah of 12 cm has more than 13 px a kulmus: the floor for tags (brief, 7.2).
    assert "crowns" not in find_illegible(measures(q_px=np.full(10, 13.5)), NEEDS).unresolved


@pytest.mark.parametrize("q", [4.0, 6.0, 9.0])
def test_an_enlarged_picture_is_not_examined_for_the_same(q: float) -> None:
    image, _ = blocks.page(LINES, q)
    image = cv2.GaussianBlur(image, (0, 0), 0.6)  # a lens, about as sharp as the sensor's pixels
    first = inspect(image)
    assert bool(first.unresolved) == (q < 9)
    for factor in (2, 3):
        size = (image.shape[1] * factor, image.shape[0] * factor)
        large = inspect(np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_CUBIC)))
        assert large.unresolved == first.unresolved
        assert [g.not_examined for g in large.glyphs] == [g.not_examined for g in first.glyphs]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"edge_px": 15.0}, "edges of at most 0.30 kulmus needed, here 0.50"),
        ({"contrast": 0.1}, "contrast of ink and skin of 0.18 needed, here 0.10"),
        ({"glare": 0.4}, "glare over at most 25% of a letter, here 40%"),
        ({"q_px": 6.0}, "a resolution of 7 px per kulmus needed, here 3.9"),
    ],
)
def test_each_measure_forbids_in_words_and_numbers(change: dict[str, float], words: str) -> None:
    few = {}
    for name, value in change.items():
        column = getattr(measures(), name).copy()
        column[[2, 5]] = value
        few[name] = column
    found = find_illegible(measures(**few), NEEDS)
    assert found.unresolved == ()
    assert np.flatnonzero(found.letters["crowns"]).tolist() == [2, 5]
    sentences = [s for s in found.sentences if s.startswith("number and form of crowns of 2 of 10")]
    assert len(sentences) == 1
    assert words in sentences[0]


def test_blurred_letters_are_left_out_of_routing_and_named(tmp_path: Path) -> None:
    image, _ = blocks.page(LINES, 16.0)
    sharp = inspect(image)
    ayin = [g for g in sharp.glyphs if g.letter == "ע"]
    assert all({"tag_loose", "part_loose"} <= set(g.reasons) for g in ayin)
    assert all(g.not_examined == () for g in sharp.glyphs)
    # The right half of the page out of focus: edges of 0.35 q there, so crowns are out of reach
    # and the hairlines are not (0.30 and 0.38).
    soft = cv2.GaussianBlur(image, (0, 0), 0.15 * 16)
    half = image.shape[1] // 2
    image[:, -half:] = soft[:, -half:]
    page = inspect(image)
    assert page.unresolved == ()
    edge = image.shape[1] - half
    blurred = [g for g in page.glyphs if g.box[0] > edge + 8 and g.letter == "ע"]
    others = [g for g in page.glyphs if g.box[2] < edge - 8]
    assert blurred
    for glyph in blurred:
        assert glyph.not_examined == tuple(n for n in CROWN_DEFECTS if glyph.p[n] is not None)
        assert glyph.p["tag_loose"] == pytest.approx(0.99)  # probabilities stay as they are
        # Whether any crown stands there still shows; it is a habit here, for no letter has one.
        assert (glyph.habits, glyph.reasons) == (("tag_missing",), ("part_loose",))
    assert all(g.not_examined == () for g in others)
    crowns = [s for s in page.not_examined if s.startswith("number and form of crowns of ")]
    count = sum("tag_loose" in g.not_examined for g in page.glyphs)
    assert crowns[0].startswith(
        f"number and form of crowns of {count} of {len(page.glyphs)} letters: edges"
    )
    with (writer.write_page(page, tmp_path) / "glyphs.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert "not_examined" in rows[0]
    assert [r["not_examined"] for r in rows] == [";".join(g.not_examined) for g in page.glyphs]


def test_a_page_out_of_focus_is_not_examined_as_a_whole() -> None:
    image, _ = blocks.page(LINES, 16.0)
    page = inspect(cv2.GaussianBlur(image, (0, 0), 0.15 * 16))
    assert "tag_missing" in page.unresolved
    assert "foot_level" not in page.unresolved
    crowns = [s for s in page.not_examined if s.startswith("number and form of crowns: ")]
    assert "edges of at most 0.30" in crowns[0]
    assert page.quality["edge_q"] == pytest.approx(0.35, abs=0.03)


def test_faded_ink_is_noted() -> None:
    image, _ = blocks.page(LINES, 16.0, paper=160, ink=125)
    page = inspect(image)
    assert "tag_missing" in page.unresolved
    # (160 - 125) / (160 + 125)
    assert page.quality["contrast"] == pytest.approx(0.123, abs=0.01)

"""Judgements that a picture cannot carry are not made, letter by letter and for whole pages."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import blocks
import cv2
import numpy as np
import pytest
from scipy.stats import norm

from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.infer.networks import weights_folder
from crownlet.infer.quality.legibility import find_illegible
from crownlet.infer.quality.measures import PictureMeasures
from crownlet.infer.records import PageRecord
from crownlet.infer.run import write as writer
from crownlet.infer.thresholds import load_thresholds

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


@pytest.mark.parametrize(("group", "line"), [("crowns", 0.16), ("hairlines", 0.2)])
def test_needs_follow_from_the_size_of_the_lines(group: str, line: float) -> None:
    need = NEEDS.groups[group]
    # A line needs 2 px to be seen (brief, 7.2).
    assert need.q_px * line == pytest.approx(2.0, abs=0.05)
    # A bar of width d blurred by s keeps 2 F(d / 2s) - 1 of its contrast in its middle: a half.
    sigma = need.edge_q / (norm.ppf(0.9) - norm.ppf(0.1))
    assert 2 * norm.cdf(line / (2 * sigma)) - 1 == pytest.approx(0.5, abs=0.02)


def test_crowns_at_one_pixel_a_stem_are_not_examined() -> None:
    # A stem is 0.12 to 0.2 kulmus wide (brief, 7.2): at 6 px a kulmus about one pixel.
    found = find_illegible(measures(q_px=np.full(10, 6.0), edge_px=np.ones(10)), NEEDS)
    assert "crowns" in found.unresolved
    assert found.letters["crowns"].all()
    assert not found.letters["form"].any()
    # At 600 dpi a mezuzah of 12 cm has more than 13 px a kulmus: the floor for tags (brief, 7.2).
    assert "crowns" not in find_illegible(measures(q_px=np.full(10, 13.5)), NEEDS).unresolved


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"edge_px": 15.0}, "edges of at most 0.30 kulmus needed, here 0.50"),
        ({"contrast": 0.1}, "contrast of ink and skin of 0.18 needed, here 0.10"),
        ({"glare": 0.4}, "glare over at most 25% of a letter, here 40%"),
        ({"q_px": 8.0}, "12.5 px per kulmus needed, here 8"),
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
    assert found.sentences[0].startswith("crowns of 2 of 10 letters: ")
    assert words in found.sentences[0]


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
        assert glyph.not_examined == tuple(
            n for n in glyph.p if CATALOGUE[n].family == "crowns" and glyph.p[n] is not None
        )
        assert glyph.p["tag_loose"] == pytest.approx(0.99)  # probabilities stay as they are
        assert glyph.reasons == ("part_loose",)
    assert all(g.not_examined == () for g in others)
    crowns = [s for s in page.not_examined if s.startswith("crowns of ")]
    count = sum("tag_loose" in g.not_examined for g in page.glyphs)
    assert crowns[0].startswith(f"crowns of {count} of {len(page.glyphs)} letters: edges")
    with (writer.write_page(page, tmp_path) / "glyphs.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert "not_examined" in rows[0]
    assert [r["not_examined"] for r in rows] == [";".join(g.not_examined) for g in page.glyphs]


def test_a_page_out_of_focus_is_not_examined_as_a_whole() -> None:
    image, _ = blocks.page(LINES, 16.0)
    page = inspect(cv2.GaussianBlur(image, (0, 0), 0.15 * 16))
    assert "tag_missing" in page.unresolved
    assert "foot_level" not in page.unresolved
    assert any(s.startswith("crowns: edges of at most 0.30") for s in page.not_examined)
    assert page.quality["edge_q"] == pytest.approx(0.35, abs=0.03)


def test_faded_ink_is_noted() -> None:
    image, _ = blocks.page(LINES, 16.0, paper=160, ink=125)
    page = inspect(image)
    assert "tag_missing" in page.unresolved
    # (160 - 125) / (160 + 125)
    assert page.quality["contrast"] == pytest.approx(0.123, abs=0.01)

"""The pictures of a survey: whole files, the same each time, and told apart without colour."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, pairwise
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import Image

from crownlet.infer.survey import report_view
from crownlet.infer.survey.figures import (
    SOURCE_COLOURS,
    SOURCE_MARKERS,
    draw_by_letter,
    draw_forest,
    save_figure,
)
from crownlet.infer.survey.records import Basis, DefectRate
from crownlet.infer.survey.report_view import embed_letter_figures

# Machado, Oliveira & Fernandes (2009), severity 1: what the two commonest kinds of colour blindness
# make of linear red, green and blue.
BLIND = {
    "protan": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deutan": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
}


def rate(defect: str, source: str, basis: Basis = "audited", letter: str = "") -> DefectRate:
    return DefectRate(
        defect, letter, source, basis, 9, 9, 1800, 360, 0.04, 0.01, 0.02, 0.08, 2.0, 0.02, ""
    )


RATES = [rate(d, s) for d in ("heel_missing", "tag_bare") for s in "ABC"]
LETTERS = [rate("heel_missing", s, letter=form) for form in "בהת" for s in "AB"]


@pytest.mark.parametrize("high", [0.05, 0.18, 0.4, 0.9])
def test_labels_under_small_figures_stand_apart(high: float) -> None:
    """Common practice, no source: the boxes of the labels, as drawn, do not touch."""
    rates = [replace(one, ci_high=high) for one in LETTERS * 6]
    rates = [replace(one, letter="אבגדהוזחטיכל"[k // 2 % 12]) for k, one in enumerate(rates)]
    figure = draw_by_letter(rates, "no heel")
    figure.canvas.draw()
    for axes in figure.axes:
        boxes = [label.get_window_extent() for label in axes.get_xticklabels() if label.get_text()]
        assert all(one.x1 < other.x0 for one, other in pairwise(boxes))


def test_files_are_whole_and_the_same_each_time(tmp_path: Path) -> None:
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()
        save_figure(draw_forest(RATES, {"tag_bare": "a bare tag"}), tmp_path / folder / "forest")
        save_figure(draw_by_letter(LETTERS, "no heel"), tmp_path / folder / "letters")
    for name in ("forest.svg", "forest.png", "letters.svg", "letters.png"):
        one, two = ((tmp_path / folder / name).read_bytes() for folder in ("one", "two"))
        assert one == two
    for name in ("forest", "letters"):
        root = ElementTree.parse(tmp_path / "one" / f"{name}.svg").getroot()
        assert root.tag == "{http://www.w3.org/2000/svg}svg"
        with Image.open(tmp_path / "one" / f"{name}.png") as picture:
            assert np.asarray(picture.convert("L")).std() > 5


def test_a_report_that_is_stopped_loses_no_figure_of_the_one_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a later report does not show goes, once its own figures are there; no outside source."""

    def files() -> dict[str, bytes]:
        return {path.name: path.read_bytes() for path in tmp_path.iterdir()}

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    rates = [*LETTERS, *(replace(one, defect="tag_bare") for one in LETTERS)]
    assert len(embed_letter_figures(rates, ("heel_missing", "tag_bare"), tmp_path)) == 2
    before = files()
    assert len(before) == 4
    with monkeypatch.context() as patched, pytest.raises(KeyboardInterrupt):
        patched.setattr(report_view, "save_figure", stop)
        embed_letter_figures(rates, ("tag_bare",), tmp_path)
    assert files() == before
    embed_letter_figures(rates, ("tag_bare",), tmp_path)
    assert set(files()) == {"letters-tag_bare.svg", "letters-tag_bare.png"}


def test_every_rate_has_its_mark_and_limits() -> None:
    axes = draw_forest(RATES, {"tag_bare": "a bare tag"}).axes[0]
    lines = [line.get_xdata() for line in axes.get_lines()]
    assert sum(len(line) == 1 for line in lines) == sum(len(line) == 2 for line in lines) == 6
    assert [label.get_text() for label in axes.get_yticklabels()] == ["heel_missing", "a bare tag"]
    shown = [axes for axes in draw_by_letter(LETTERS, "no heel").axes if axes.get_title()]
    assert [axes.get_title() for axes in shown] == ["ב", "ה", "ת"]


def test_an_unaudited_rate_is_hollow_and_says_so() -> None:
    figure = draw_forest([rate("heel_missing", "A"), rate("heel_missing", "B", "unaudited")], {})
    fills = [line.get_markerfacecolor() for line in figure.axes[0].get_lines()][1::2]
    assert fills == [SOURCE_COLOURS[0], "white"]
    labels = [text.get_text() for text in figure.legends[0].get_texts()]
    assert labels[-1].startswith("hollow: unaudited")
    assert len(draw_forest(RATES, {}).legends[0].get_texts()) == 3


@pytest.mark.parametrize("kind", sorted(BLIND))
def test_four_sources_are_told_apart_by_the_colour_blind(kind: str) -> None:
    """Marks differ too; a distance of 10 in CIELAB is plain to see side by side."""
    assert len(set(SOURCE_MARKERS)) == len(SOURCE_COLOURS)
    seen = [lab(np.array(BLIND[kind]) @ linear(colour)) for colour in SOURCE_COLOURS[:4]]
    assert min(np.linalg.norm(a - b) for a, b in combinations(seen, 2)) > 10


def linear(colour: str) -> np.ndarray:
    """IEC 61966-2-1."""
    share = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)


def lab(rgb: np.ndarray) -> np.ndarray:
    """CIE 1976, D65."""
    to_xyz = np.array([
        [0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]
    ])  # fmt: skip
    share = np.clip(to_xyz @ np.clip(rgb, 0, 1) / (0.9505, 1, 1.089), 0, None)
    x, y, z = np.where(share > 216 / 24389, np.cbrt(share), (24389 / 27 * share + 16) / 116)
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])

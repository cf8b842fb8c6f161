"""Our drawings keep the published rules, and the file is what the script draws."""

from __future__ import annotations

import json
import re
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from shapely import MultiLineString, hausdorff_distance

from crownlet.datasets.render.letterforms.sampler import make_exemplars
from crownlet.datasets.scribal.alphabet import ALPHABET, BY_CHAR
from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.sheet.drawings import draw_word, read_drawing

FILE = Path(__file__).resolve().parents[2] / "infer" / "sheet" / "exemplars.json"
STYLES = ("beit_yosef", "arizal", "vellish")
CASES = [(style, letter.char) for style in STYLES for letter in ALPHABET]
PX = 40
"""px of a kulmus in the test's own drawing."""

MAX_OUTLINE_DISTANCE_Q = 0.01
"""q between the outlines that two versions of OpenCV simplify: the last digit of the file."""


def rings(path: str) -> list[npt.NDArray[np.float64]]:
    """Outlines in q, read from SVG path data by its grammar (M, relative l, z)."""
    found = []
    for ring in re.findall(r"M(-?\d+ -?\d+)l([^z]*)z", path):
        start = [int(v) for v in ring[0].split()]
        steps = np.array([int(v) for v in re.findall(r"-?\d+", ring[1])]).reshape(-1, 2)
        found.append((np.concatenate([[start], start + np.cumsum(steps, axis=0)])) / 100)
    assert "".join(re.findall(r"[A-Za-z]", path)) == "Mlz" * len(found)
    return found


def ink(style: str, char: str) -> npt.NDArray[np.uint8]:
    """The letter filled by the even-odd rule, (16 q, 12 q), its ruled line at row 5 q."""
    outlines = rings(read_drawing(char, load_customs(style)).path)
    image = np.zeros((16 * PX, 12 * PX), np.uint8)
    points = [np.round((ring + np.array([4.0, 5.0])) * PX).astype(np.int32) for ring in outlines]
    cv2.fillPoly(image, points, 255)
    return image


@pytest.mark.parametrize(("style", "char"), CASES)
def test_pieces_and_holes(style: str, char: str) -> None:
    """One body, but he and kuf two; samech and final mem closed (OC 36:2; Keset HaSofer 5:3)."""
    image = ink(style, char)
    pieces = cv2.connectedComponents(image, connectivity=8)[0] - 1
    holes = cv2.connectedComponents(255 - image, connectivity=4)[0] - 2
    assert pieces == (2 if char in "הק" else 1)
    assert holes == (1 if char in "סם" else 0)


def test_a_word_is_drawn_from_right_to_left_in_its_pieces_and_holes() -> None:
    """He has two pieces, shin and final mem one, and final mem a hole (OC 36:2)."""
    word = draw_word("השם", 90.0, (0, 0, 0), (255, 255, 255))[..., 0] < 128
    pieces, areas = cv2.connectedComponents(word.astype(np.uint8), connectivity=8)
    assert pieces - 1 == 4
    assert cv2.connectedComponents((~word).astype(np.uint8), connectivity=4)[0] - 2 == 1
    # The leftmost piece is final mem, which holds the hole and has no tag above the others.
    left = areas[:, np.flatnonzero(word.any(axis=0))[0]].max()
    assert np.flatnonzero((areas == left).any(axis=1))[0] > np.flatnonzero(word.any(axis=1))[0]


@pytest.mark.parametrize(("style", "char"), CASES)
def test_tags_stand_apart(style: str, char: str) -> None:
    """Three on shatnez getz, one on bedek chaya, two on lamed, else none, each by itself
    (Menachot 29b; MB 36:13; Mishnat Sofrim under each letter)."""
    image = ink(style, char)
    if char == "ח":  # The stick stands on the left half; the hump's peak is no tag.
        image[:, round((4 + 0.7) * PX) :] = 0
    # 0.45 q above the roof, higher than any kotz; on lamed 0.45 q below its tallest tag.
    row = np.flatnonzero(image.any(axis=1))[0] + 0.45 * PX if char == "ל" else (5 - 0.45) * PX
    edges = np.diff(np.pad((image[round(row)] > 0).astype(np.int8), 1))
    assert (edges == 1).sum() == (2 if char == "ל" else BY_CHAR[char].crown)


@pytest.mark.parametrize("style", STYLES)
def test_proportions(style: str) -> None:
    """Bodies three kulmus high (MS bet); final nun at least four with its head (MS final nun);
    gimel's right foot lower than the left (MS gimel); vav's head at most one wide (MS vav)."""

    def rows(char: str) -> npt.NDArray[np.int64]:
        return np.flatnonzero(ink(style, char).any(axis=1))

    for char in "בכסםמת":
        assert abs((rows(char)[-1] + 1) / PX - 5 - 3.0) < 0.25
    assert (rows("ן")[-1] + 1) / PX - 5 >= 4.0
    feet = ink(style, "ג")
    columns = np.flatnonzero(feet[5 * PX :].any(axis=0))
    middle = (columns[0] + columns[-1]) // 2
    assert (
        np.flatnonzero(feet[:, middle:].any(axis=1))[-1]
        > np.flatnonzero(feet[:, : columns[0] + PX // 2].any(axis=1))[-1]
    )
    vav = ink(style, "ו")[round(5.4 * PX)]
    assert np.count_nonzero(vav) / PX <= 1.05


def test_the_file_is_what_the_script_draws(versions_are_pinned: bool) -> None:
    kept = json.loads(FILE.read_text(encoding="utf-8"))["styles"]
    drawn = json.loads(json.dumps(make_exemplars()))
    assert FILE.stat().st_size < 200_000
    if versions_are_pinned:
        assert kept == drawn
    assert kept.keys() == drawn.keys()
    for style, letters in kept.items():
        assert letters.keys() == drawn[style].keys()
        for slug, letter in letters.items():
            held, now = (
                MultiLineString([np.vstack([ring, ring[:1]]) for ring in rings(known[slug]["d"])])
                for known in (letters, drawn[style])
            )
            assert hausdorff_distance(held, now) <= MAX_OUTLINE_DISTANCE_Q, (style, slug)
            assert letter["box"] == pytest.approx(drawn[style][slug]["box"], abs=1)


def test_styles_differ_where_the_books_say_so() -> None:
    """Chet is humped in Beit Yosef and flat in Vellish; left heads are like vavs in the Arizal
    form (Keset HaSofer 5:2)."""

    def path(style: str, char: str) -> str:
        return read_drawing(char, load_customs(style)).path

    assert path("beit_yosef", "ח") != path("vellish", "ח")
    assert len(rings(path("vellish", "ח"))) == 1
    for char in "שעטנגצ":
        assert path("beit_yosef", char) != path("arizal", char)
    assert path("unspecified", "ש") == path("beit_yosef", "ש")

"""The whole way of a page with a reader of block letters in the networks' place."""

from __future__ import annotations

import subprocess
import sys

import blocks
import cv2
import numpy as np
import pytest

from crownlet.datasets.files.images import PageError
from crownlet.datasets.scribal.texts import load_portion

LINES = [" ".join(line) for line in load_portion("mezuzah").lines or ()]


def inspect(image: np.ndarray, text: str | None = None, **options: object):  # type: ignore[no-untyped-def]
    return blocks.inspector(blocks.BlockNetworks(**options)).inspect(image, text)


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
@pytest.mark.parametrize("q", [8.0, 14.0, 24.0])
def test_a_mezuzah_in_any_size_and_turn(q: float, turn: int) -> None:
    image, placed = blocks.page(LINES, q, bow=0.6, tilt=0.01)
    given = np.ascontiguousarray(np.rot90(image, -turn // 90))
    page = inspect(given, "mezuzah")
    assert page.turn == turn
    assert "".join(g.letter for g in page.glyphs) == load_portion("mezuzah").letters
    assert page.match is not None
    assert (page.match.absent, page.match.extra, page.match.swapped, page.match.note) == (
        (), 0, 0, "",
    )  # fmt: skip
    assert [g.line - 1 for g in page.glyphs] == [p.line for p in placed]
    assert page.q == pytest.approx(q, rel=0.04)
    assert {g.route for g in page.gaps} == {"clear"}
    assert all(g.expected == g.letter for g in page.glyphs)
    # Boxes are those of the picture as given: the ink found there is the letter's.
    for glyph in page.glyphs[::50]:
        x0, y0, x1, y1 = (round(v) for v in glyph.box)
        assert given[y0:y1, x0:x1].mean() < 190


def test_words_lines_places_and_names() -> None:
    image, _ = blocks.page(LINES, 10.0)
    page = inspect(image, "mezuzah")
    plain = inspect(image)
    words = load_portion("mezuzah").words
    for record in (page, plain):
        assert max(g.word for g in record.glyphs) == 170  # brief, 6.3
        assert max(g.line for g in record.glyphs) == 22
        assert [g.place for g in record.glyphs] == [
            k for word in words for k in range(1, len(word) + 1)
        ]
    assert plain.match is None
    assert all(g.expected is None and not g.in_name for g in plain.glyphs)
    names = {g.word for g in page.glyphs if g.in_name}
    assert names == {k + 1 for k in load_portion("mezuzah").name_words}


def test_absent_extra_and_swapped_letters_are_found() -> None:
    lines = list(LINES)
    lines[2] = lines[2][:4] + lines[2][5:]  # the fifth letter of line 3 is left out
    lines[5] = lines[5][:1] + "ף" + lines[5][1:]
    lines[9] = "ט" + lines[9][1:]
    page = inspect(blocks.page(lines, 10.0)[0], "mezuzah")
    assert page.match is not None
    (absent,) = page.match.absent
    text = load_portion("mezuzah").lines or ()
    first = sum(len("".join(line)) for line in text[:2])
    assert (absent.letter, absent.line, absent.after) == (text[2][0][4], 3, first + 4)
    extra = [g for g in page.glyphs if "letter_extra" in g.reasons]
    assert [(g.letter, g.line, g.expected, g.route) for g in extra] == [("ף", 6, "", "finding")]
    swapped = [g for g in page.glyphs if "letter_swapped" in g.reasons]
    assert [(g.letter, g.line, g.expected) for g in swapped] == [("ט", 10, text[9][0][0])]
    assert [g.route for g in page.gaps if g.right_glyph == absent.after] == ["finding"]
    at = page.glyphs[absent.after - 1].box[0]
    assert absent.at[0] == pytest.approx(at, abs=20)


def test_joined_words_and_a_parted_word() -> None:
    lines = list(LINES)
    lines[3] = lines[3].replace(" ", "", 1)
    lines[7] = lines[7][:2] + " " + lines[7][2:]
    page = inspect(blocks.page(lines, 10.0)[0], "mezuzah")
    odd = [g for g in page.gaps if g.route != "clear"]
    assert [(g.line, g.reasons) for g in odd] == [(4, ("words_joined",)), (8, ("word_parted",))]


def test_tags_and_defects_reach_the_table() -> None:
    tags = dict.fromkeys(range(6), 3) | {0: 1}
    image, _ = blocks.page(["שעשעשע"] * 3, 16.0, tags=tags)
    page = inspect(image, defects={("ע", "tag_loose"): 0.99})
    assert [g.tags_seen for g in page.glyphs[:7]] == [1, 3, 3, 3, 3, 3, 0]
    assert all(g.tags_expected == 3 for g in page.glyphs)
    assert page.glyphs[0].p["tag_missing"] == pytest.approx(1.0, abs=0.01)
    assert page.glyphs[1].reasons == ("tag_loose",)
    assert page.glyphs[1].route == "finding"
    assert page.glyphs[2].route == "clear"


def test_coarse_pictures_say_so_and_do_not_route_crowns() -> None:
    page = inspect(blocks.page(["שעשעשע"] * 6, 4.0)[0])
    assert {"tag_missing", "tag_none"} <= set(page.unresolved)
    assert page.glyphs[0].p["tag_missing"] is not None
    assert all("tag_missing" not in g.reasons for g in page.glyphs)


def test_whether_a_crown_stands_there_is_judged_in_a_coarser_picture_than_its_number() -> None:
    tags = dict.fromkeys(range(36), 3) | {0: 1, 1: 0}
    page = inspect(blocks.page(["שעשעשע"] * 6, 6.0, tags=tags)[0])
    assert "tag_none" not in page.unresolved
    assert all("tag_missing" in g.not_examined for g in page.glyphs)
    need = "number and form of crowns: a resolution of 7 px per kulmus needed, here 6"
    assert any(s.startswith(need) for s in page.not_examined)
    missing = [g.glyph for g in page.glyphs if "tag_missing" in g.reasons]
    assert missing == [2]  # the letter with one tag of three has fewer, which is not counted here


def test_the_wrong_portion_is_noted_once() -> None:
    page = inspect(blocks.page(LINES, 10.0)[0], "kadesh")
    assert page.match is not None
    assert "do not belong together" in page.match.note
    assert all("letter_swapped" not in g.reasons for g in page.glyphs)


def test_part_of_a_portion() -> None:
    page = inspect(blocks.page(LINES[6:12], 12.0)[0], "mezuzah")
    assert page.match is not None
    assert page.match.absent == ()
    # Lines 1 to 6 hold 205 letters, 7 to 12 hold 196 (brief, 6.3).
    assert page.match.note == "The page shows letters 206 to 401 of the 713 of 'mezuzah'."


def test_grey_colour_and_ink_of_any_darkness_agree() -> None:
    image, _ = blocks.page(LINES[:6], 12.0, paper=150, ink=70)
    skin = np.stack([image, image * 0.8, image * 0.5], axis=-1).astype(np.uint8)
    one, two = inspect(image), inspect(skin)
    assert [g.letter for g in one.glyphs] == [g.letter for g in two.glyphs]


def landscape(height: int, width: int) -> np.ndarray:
    """Hills, a sky and a dark wood, with some grain."""
    x = np.arange(width)
    image = np.repeat(np.linspace(230, 170, height)[:, None], width, axis=1)
    for base, tone in ((0.5, 120), (0.65, 80), (0.8, 30)):
        hill = height * (base + 0.08 * np.sin(x / width * 9 * base + base))
        image[np.arange(height)[:, None] > hill[None, :]] = tone
    grain = np.random.default_rng(0).normal(0, 6, (height, width))
    return np.clip(cv2.GaussianBlur(image + grain, (0, 0), 1), 0, 255).astype(np.uint8)


@pytest.mark.parametrize(
    ("image", "cause"),
    [
        (np.full((900, 700), 235, np.uint8), "blank"),
        (np.zeros((900, 700), np.uint8), "so dark"),
        (landscape(600, 900), "no letters"),
        (blocks.page(LINES, 2.0)[0], "no letters|letters too small"),
    ],
)
def test_pages_with_nothing_to_inspect(image: np.ndarray, cause: str) -> None:
    with pytest.raises(PageError, match=cause):
        inspect(image)


def test_letters_of_17_px_are_read() -> None:
    page = inspect(blocks.page(LINES[:8], 17 / 3, letter_gap=0.8)[0])
    # The reader of blocks itself slips now and then at this size.
    assert abs(len(page.glyphs) - sum(len(line.replace(" ", "")) for line in LINES[:8])) <= 2


def test_the_back_of_a_mezuzah_keeps_its_way_up() -> None:
    # Fourteen letters upside down above the Name of three letters (Keset HaSofer 27:7).
    first, second = (" ".join(line) for line in load_portion("mezuzah_reverse").lines or ())
    top, _ = blocks.page([first], 14.0)
    low, _ = blocks.page([second], 14.0)
    low = np.pad(low, ((0, 0), (top.shape[1] - low.shape[1], 0)), constant_values=230)
    page = inspect(np.concatenate([top[::-1, ::-1], low]), "mezuzah_reverse")
    assert page.turn == 0
    assert "".join(g.letter for g in page.glyphs) == load_portion("mezuzah_reverse").letters
    assert [g.body[3] for g in page.glyphs] == [180.0] * 14 + [0.0] * 3
    assert [g.line for g in page.glyphs] == [1] * 14 + [2] * 3
    assert page.match is not None
    assert page.match.absent == ()
    assert {g.route for g in page.gaps} == {"clear"}
    assert sum(g.expected == "word" for g in page.gaps) == 2


def test_one_letter_alone() -> None:
    page = inspect(blocks.page(["ש"], 14.0, margin=8)[0])
    assert [g.letter for g in page.glyphs] == ["ש"]


def test_importing_brings_no_heavy_package() -> None:
    code = (
        "import sys, crownlet.infer.cli, crownlet.infer.inspector, crownlet.infer.demo.run; "
        "heavy = {'torch', 'hydra', 'albumentations', 'scipy', 'shapely', 'sklearn'}; "
        "print(sorted(heavy & set(sys.modules)))"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"

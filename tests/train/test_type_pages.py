"""Truth of the type pages against their own pixels, FreeType and the published counts."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageFont

from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.scribal.alphabet import BY_CHAR, LETTERS, ONE_TAG, THREE_TAGS
from crownlet.train.evaluation.defect_scores import plainness_of
from crownlet.train.evaluation.matching import Detection
from crownlet.train.evaluation.type_cuts import (
    DOUBTFUL_CROWNS,
    FONT_TAGS,
    JOINTS,
    LEGS,
    cut_defect,
    cut_joint,  # fmt: skip
    defects_of,
    join_leg,
)
from crownlet.train.evaluation.type_font import (
    FONT_FILES,
    FONT_FOLDER,
    FontName,
    TypeGlyph,
    draw_letter,
    load_font,
)
from crownlet.train.evaluation.type_pages import TypeSpec, compose_type_page
from crownlet.train.evaluation.type_suite import list_trials, measure_trial, trial_jobs

FONTS: tuple[FontName, ...] = ("ashkenaz", "sefarad")
needs_fonts = pytest.mark.skipif(
    not all((FONT_FOLDER / name).is_file() for name in FONT_FILES.values()),
    reason="Debian's culmus is not installed",
)
pytestmark = needs_fonts


def pieces(glyph: TypeGlyph, body: float = 64) -> int:
    ink = (draw_letter(glyph, body).cover >= 0.5).astype(np.uint8)
    return int(cv2.connectedComponents(ink, connectivity=8)[0]) - 1


@pytest.mark.parametrize("font", FONTS)
def test_crowns_found_in_the_outlines_are_those_of_the_table(font: FontName) -> None:
    found = {letter: len(glyph.tags) for letter, glyph in load_font(font).glyphs.items()}
    # Mishnah Berurah 36:13: three tags on shatnez getz; the fonts set them on the finals as well.
    assert {letter for letter, count in found.items() if count == 3} == set(THREE_TAGS)
    # Bedek chaya, one each, but for the letters whose points can be read either way.
    sure = set(ONE_TAG) - set(DOUBTFUL_CROWNS[font])
    assert {letter for letter, count in found.items() if count == 1} == sure
    for letter in set(LETTERS) - set(DOUBTFUL_CROWNS[font]):
        assert found[letter] == FONT_TAGS[font].get(letter, 0)


@pytest.mark.parametrize("font", FONTS)
@pytest.mark.parametrize("letter", LETTERS)
def test_drawn_letter_is_the_one_that_freetype_draws(font: FontName, letter: str) -> None:
    body = 210.0
    glyph = load_font(font).glyphs[letter]
    ink = draw_letter(glyph, body)
    em = body * 2048 / 1050  # 2048 units an em: the fonts' head table
    face = ImageFont.truetype(
        str(FONT_FOLDER / FONT_FILES[font]), em, layout_engine=ImageFont.Layout.BASIC
    )
    image = Image.new("L", ink.cover.shape[::-1])
    pen = ImageDraw.Draw(image)
    pen.text((-ink.left, body - ink.top), letter, font=face, fill=255, anchor="ls")
    theirs, ours = np.asarray(image) / 255, ink.cover
    assert np.sum(ours) == pytest.approx(theirs.sum(), rel=0.02)
    # Hinting moves their edges by up to a pixel of 210 a body, and no further.
    near = np.ones((3, 3), np.uint8)
    assert not ((ours > 0.9) & (cv2.dilate(theirs, near) < 0.1)).any()
    assert not ((theirs > 0.9) & (cv2.dilate(ours, near) < 0.1)).any()


@pytest.mark.parametrize("font", FONTS)
@pytest.mark.parametrize("body", [32, 64])
def test_body_is_exactly_as_high_as_asked(font: FontName, body: int) -> None:
    ink = draw_letter(load_font(font).glyphs["ב"], body)
    column = ink.cover[:, -ink.left + round(0.55 * body)]  # through roof and base, right of the tag
    rows = np.flatnonzero(column > 0.1) + ink.top
    assert (rows.min(), rows.max()) == (0, body - 1)
    assert column[rows.min() - ink.top] > 0.98


@pytest.mark.parametrize("font", FONTS)
@pytest.mark.parametrize("body", [32, 64])
def test_clean_mezuzah_has_the_pieces_and_rings_of_a_perfect_one(
    font: FontName, body: float
) -> None:
    # Scribal rules, check values 17 and 18: 713 + 57 he + 5 kuf pieces; 2 samech + 42 final mem.
    page = compose_type_page(TypeSpec(font, "mezuzah", body))
    # At 32 px stems and the gap between tags are about a pixel wide: grey, either way.
    touching, apart = ((page.image < level).astype(np.uint8) for level in (178, 100))
    assert cv2.connectedComponents(touching, connectivity=8)[0] - 1 == 775
    assert cv2.connectedComponents(1 - apart, connectivity=4)[0] - 2 == 44
    assert len(page.letters) == 713
    assert len({letter.line for letter in page.letters}) == 22


@pytest.mark.parametrize("font", FONTS)
def test_alphabet_page_has_all_letters_evenly(font: FontName) -> None:
    page = compose_type_page(TypeSpec(font, "alphabet"), seed=5)
    written = [letter.letter for letter in page.letters]
    assert {letter: written.count(letter) for letter in LETTERS} == dict.fromkeys(LETTERS, 27)
    ink = (page.image < 128).astype(np.uint8)
    expected = 27 * sum(BY_CHAR[letter].pieces for letter in LETTERS)
    assert cv2.connectedComponents(ink, connectivity=8)[0] - 1 == expected


@pytest.mark.parametrize("font", FONTS)
@pytest.mark.parametrize("paper", ["white", "cream"])
def test_boxes_hold_all_ink_and_no_more(font: FontName, paper: str) -> None:
    spec = TypeSpec(font, "alphabet", 32, paper=paper, defects={"part_loose": 0.5})  # type: ignore[arg-type]
    page = compose_type_page(spec, seed=1)
    flat = page.image.reshape(*page.image.shape[:2], -1)
    ink = (flat != flat[0, 0]).any(axis=2)
    covered = np.zeros_like(ink)
    for letter in page.letters:
        x0, y0, x1, y1 = (int(side) for side in letter.box)
        assert (x0, y0, x1, y1) == letter.box
        inside = ink[y0:y1, x0:x1]
        assert inside[0].any() and inside[-1].any() and inside[:, 0].any() and inside[:, -1].any()
        covered[y0:y1, x0:x1] = True
    assert not (ink & ~covered).any()


@pytest.mark.parametrize("font", FONTS)
def test_erased_crowns_take_ink_only_from_above_the_head(font: FontName) -> None:
    spec = TypeSpec(font, "alphabet", 64, defects={"tag_missing": 0.5})
    damaged = compose_type_page(spec, seed=2)
    clean = compose_type_page(TypeSpec(font, "alphabet", 64), seed=2)
    gone = 0
    for before, after in zip(clean.letters, damaged.letters, strict=True):
        assert before.letter == after.letter
        x0, y0, x1, y1 = (int(side) for side in before.box)
        was, now = clean.image[y0:y1, x0:x1], damaged.image[y0:y1, x0:x1]
        assert (now >= was).all()
        changed = np.flatnonzero((now > was).any(axis=1)) + y0
        marks = [mark for mark in after.defects if mark.plainness == 1]
        assert after.tags == before.tags - sum(mark.size for mark in marks)
        assert len(after.parts) == len(before.parts) - sum(mark.size for mark in marks)
        if marks:
            gone += 1
            assert changed.max() < before.body[1] + 0.3 * before.q
            assert changed.min() == y0 or after.tags > 0
    assert gone > 50


@pytest.mark.parametrize("font", FONTS)
def test_cut_joint_frees_one_piece_of_ink(font: FontName) -> None:
    for letter, joints in JOINTS[font].items():
        glyph = load_font(font).glyphs[letter]
        for joint in joints:
            for width in (0.1, 0.25):
                parted = cut_joint(glyph, joint, width)
                assert pieces(parted) == pieces(glyph) + 1, (letter, joint.part)
                assert parted.defects[-1].size == width
                lost = (draw_letter(glyph, 64).cover - draw_letter(parted, 64).cover).sum()
                assert 0 < lost < 0.12 * draw_letter(glyph, 64).cover.sum()


@pytest.mark.parametrize("font", FONTS)
def test_joined_leg_makes_two_pieces_one(font: FontName) -> None:
    assert set(LEGS[font]) == {letter for letter in LETTERS if BY_CHAR[letter].detached}
    for letter, leg in LEGS[font].items():
        glyph = load_font(font).glyphs[letter]
        for width in (0.12, 0.5):
            assert (pieces(glyph), pieces(join_leg(glyph, leg, width))) == (2, 1)


@pytest.mark.parametrize("font", FONTS)
def test_a_bare_tag_has_lost_its_head_and_nothing_else(font: FontName) -> None:
    """Heads of tags are wider than their stems (Mishnah Berurah 36:12: tiny zayins)."""
    for letter in THREE_TAGS:
        glyph = load_font(font).glyphs[letter]
        bare = cut_defect(font, glyph, "tag_bare", np.random.default_rng(3))
        assert len(bare.tags) == len(glyph.tags) == 3
        assert pieces(bare) == pieces(glyph)
        for tag, (before, after) in enumerate(zip(glyph.tags, bare.tags, strict=True)):
            if f"tag_{tag + 1}" not in bare.defects[-1].parts:
                continue
            assert abs(after[:, 1].min() - before[:, 1].min()) < 0.12
            widths = [min(cv2.minAreaRect(t.astype(np.float32))[1]) for t in (before, after)]
            assert widths[1] < 0.17 < 0.25 < widths[0]


def test_defect_that_a_letter_cannot_have_is_refused() -> None:
    glyph = load_font("ashkenaz").glyphs["ו"]
    assert defects_of("ashkenaz", "ו") == ()
    with pytest.raises(ValueError, match="tag_missing cannot be cut"):
        cut_defect("ashkenaz", glyph, "tag_missing", np.random.default_rng())
    with pytest.raises(ValueError, match="ring_open"):
        compose_type_page(TypeSpec(defects={"ring_open": 0.5}))


def test_missing_font_is_named() -> None:
    with pytest.raises(FileNotFoundError, match="culmus"):
        load_font("sefarad", Path("/nowhere"))


def test_same_seed_gives_the_same_page() -> None:
    spec = TypeSpec("sefarad", "alphabet", 32, defects={"tag_missing": 0.3}, degraded=True)
    one, two, other = (compose_type_page(spec, seed) for seed in (4, 4, 5))
    assert np.array_equal(one.image, two.image)
    assert one.letters[0].box == two.letters[0].box
    assert not np.array_equal(one.image, other.image)


@pytest.mark.parametrize("seed", range(3))
def test_boxes_of_a_degraded_page_follow_its_turn(seed: int) -> None:
    page = compose_type_page(TypeSpec("ashkenaz", "mezuzah", 64, degraded=True), seed)
    smooth = cv2.GaussianBlur(page.image, (0, 0), 2).astype(np.float32)
    light = cv2.blur(page.image.astype(np.float32), (401, 401))
    dark = smooth < 0.7 * light
    covered = np.zeros_like(dark)
    for letter in page.letters:
        x0, y0, x1, y1 = (round(side) for side in letter.box)
        assert dark[y0:y1, x0:x1].mean() > 0.1, letter
        covered[y0 - 1 : y1 + 1, x0 - 1 : x1 + 1] = True
    assert (dark & ~covered).sum() < 0.001 * dark.sum()
    first, last = page.letters[0], page.letters[17]
    rise = (last.body[1] - first.body[1]) / (last.body[0] - first.body[0])
    assert last.line == first.line
    assert np.rad2deg(np.arctan(rise)) == pytest.approx(first.body[3], abs=0.01)


def test_suite_measures_a_reader_by_what_it_knows() -> None:
    """A reader that sees all, misreads every tenth, and knows no crown from another."""
    trial = next(trial for trial in list_trials() if trial.name == "defects, clean, 32 px")
    assert {spec.font for spec in trial.pages} == set(FONTS)
    pages = [compose_type_page(job.spec, job.seed) for job in trial_jobs(trial, 7)]  # type: ignore[arg-type]

    def seen(page: PageTruth) -> list[Detection]:
        return [
            Detection(
                "ם" if i % 10 == 0 else letter.letter,
                letter.box,
                {"tag_missing": 0.5, "part_loose": plainness_of(letter, "part_loose")},
            )
            for i, letter in enumerate(page.letters)
        ]

    def seen_with_text(page: PageTruth) -> list[Detection]:
        right = (letter.letter for letter in page.letters)
        return [replace(found, letter=next(right)) for found in seen(page)]

    result = measure_trial(trial, [(page, [seen(page), seen_with_text(page)]) for page in pages])
    assert result["letters"] == 2 * (713 + 729)
    assert result["letter_error_rate"] == pytest.approx(0.1, abs=0.01)
    with_text = result["with_its_text"]
    assert isinstance(with_text, dict)
    assert with_text["letter_error_rate"] == 0.0
    scores = result["defects"]
    assert isinstance(scores, dict)
    assert scores["tag_missing"]["auroc"] == 0.5
    assert scores["part_loose"]["auroc"] == 1.0
    assert scores["leg_touches_roof"]["positives"] == 0
    assert scores["leg_touches_roof"]["unseen"] > 0
    # Points that can be read either way: yud, chet and lamed of one font, lamed of the other.
    doubtful = sum(
        letter.letter in DOUBTFUL_CROWNS[spec.font]
        for spec, page in zip(trial.pages, pages, strict=True)
        for letter in page.letters
    )
    assert scores["tag_missing"]["doubtful"] == doubtful

"""Tiles and crops against the pages they are cut from."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.files.images import to_gray
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean
from crownlet.infer.image import crops
from crownlet.models.assessor import TAGS_UNKNOWN
from crownlet.train.fit.crops import (
    defect_targets,
    make_crops,
    part_masks,
    plainness_target,
    tags_target,
)
from crownlet.train.fit.data import Renders
from crownlet.train.fit.pool import render_pages
from crownlet.train.fit.tiles import anchor_of, make_tile

LETTERS = (20, 30)


def page(turn: int = 0) -> PageTruth:
    made = compose(clean(letters=LETTERS, body=(48.0, 48.0), turn=turn), 11)
    return replace(made, image=to_gray(made.image))


@pytest.mark.parametrize("turn", [90, 180, 270])
def test_a_letter_of_a_turned_page_is_cut_out_like_that_of_the_upright_one(turn: int) -> None:
    upright, turned = page(), page(turn)
    for a, b in list(zip(upright.letters, turned.letters, strict=True))[:12]:
        assert a.letter == b.letter
        first = crops.crop_letter(upright.image, a.body, a.box).astype(int)
        second = crops.crop_letter(turned.image, b.body, b.box).astype(int)
        # A pixel's centre and its corner differ by half a pixel in turning; no more than that.
        assert np.corrcoef(first[0].ravel(), second[0].ravel())[0, 1] > 0.85
        assert (first[1] == second[1]).mean() > 0.97


def test_every_anchor_of_a_tile_lies_inside_its_box_and_ink_inside_the_boxes() -> None:
    whole = page()
    for seed in range(12):
        tile = make_tile(whole, np.random.default_rng(seed))
        x, y, left, top, right, bottom = tile.letters[:, :6].T
        # The anchor is in the body's middle: inside its letter but for yud, which ends above it.
        assert (left >= -1).all()
        assert (right >= -1).all()
        covered = np.zeros(tile.image.shape, bool)
        boxes = np.stack([x - left, y - top, x + right, y + bottom], axis=1)
        for x0, y0, x1, y1 in np.concatenate([boxes, tile.ignore]):
            covered[max(0, int(y0) - 1) : int(y1) + 2, max(0, int(x0) - 1) : int(x1) + 2] = True
        ink = tile.image < 110
        assert ink.sum() > 500
        assert (ink & ~covered).sum() <= 0.002 * ink.sum()


def test_a_turned_tile_says_how_it_is_turned() -> None:
    whole = page()
    turns = set()
    for seed in range(60):
        tile = make_tile(whole, np.random.default_rng(seed), body=30.0)
        if len(tile.letters):
            found = np.unique(tile.letters[:, 7])
            assert len(found) == 1
            turns.add(int(found[0]))
            # Letters hang: in an upright tile the ink of a line lies mostly above the base line,
            # whatever the turn, so the body height stays what it was.
            np.testing.assert_allclose(tile.letters[:, 8], 30.0, rtol=0.05)
    assert turns == {0, 1, 2, 3}


def test_part_masks_lie_on_the_ink_of_the_crop() -> None:
    whole = page()
    for letter in whole.letters[:15]:
        crop = crops.crop_letter(whole.image, letter.body, letter.box)
        mask = part_masks(letter.parts, crops.crop_matrix(letter.body, letter.box))[0]
        ink = cv2.resize(255 - crop[0], (24, 32), interpolation=cv2.INTER_AREA).astype(float)
        inside = ink[mask > 200]
        assert inside.size == 0 or inside.mean() > 200
        assert (mask > 128).sum() > 8


def test_the_boxes_of_crops_are_those_that_inference_fills() -> None:
    whole = page()
    cut = make_crops(whole, np.random.default_rng(5))
    for picture, (x0, y0, x1, y1) in zip(cut.images, cut.boxes, strict=True):
        assert x0 < x1 <= picture.shape[1]
        assert y0 < y1 <= picture.shape[0]
    ink = cut.parts[:, 0] > 128
    for mask, box, letter in zip(ink, cut.boxes, cut.letter, strict=True):
        if letter < 27:
            rows, columns = np.nonzero(mask)
            found = np.array([columns.min(), rows.min(), columns.max() + 1, rows.max() + 1]) * 4
            # Boxes are off by up to a third of a pen (16 px), masks are coarse by 4 px.
            np.testing.assert_allclose(found, box, atol=10)


def test_crops_keep_what_was_written_and_add_some_that_show_no_letter() -> None:
    whole = page()
    cut = make_crops(whole, np.random.default_rng(3))
    named = sorted(chr(0x5D0 + int(k)) for k in cut.letter if k < 27)
    assert named == sorted(letter.letter for letter in whole.letters if letter.whole)
    assert (cut.letter == 27).sum() >= 1
    assert np.isnan(cut.defects[cut.letter == 27]).all()
    assert not (cut.defects[cut.letter < 27] > 0).any()


def test_the_doubtful_third_is_a_ramp() -> None:
    found = [plainness_target(p) for p in (0.0, 1 / 3, 0.5, 2 / 3, 1.0)]
    assert found == pytest.approx([0.0, 0.0, 0.5, 1.0, 1.0])


def test_the_anchor_is_half_a_body_below_the_ruled_line_in_the_letters_own_frame() -> None:
    upright, turned = page(), page(90)
    height = upright.image.shape[0]
    for a, b in zip(upright.letters, turned.letters, strict=True):
        x, y = anchor_of(a)
        # A clockwise quarter turn takes (x, y) to (height - y, x).
        assert anchor_of(b) == pytest.approx((height - y, x), abs=1.0)


def test_of_a_letter_cut_by_the_frame_only_the_class_is_asked() -> None:
    letter = replace(compose(clean(letters=(20, 30)), 1).letters[0], whole=False, tags=3)
    assert np.isnan(defect_targets(letter)).all()
    assert tags_target(letter) == TAGS_UNKNOWN
    assert tags_target(replace(letter, whole=True)) == 3
    # A label without a count of tags (COCO in: -1) asks nothing of them.
    assert tags_target(replace(letter, whole=True, tags=-1)) == TAGS_UNKNOWN


def test_a_page_without_a_photograph_is_refused() -> None:
    with pytest.raises(ValueError, match="photographed at least once"):
        Renders(Path("pool"), clean(), clean(split="calibrate"), photographs=0)


def test_the_photographs_of_a_page_are_stored_before_the_file_that_stands_for_it() -> None:
    spec = clean(letters=(20, 30))
    names = [name for name, _ in render_pages(spec, range(7, 9), photographs=3)]
    assert names == [f"r{seed:09d}{end}" for seed in (7, 8) for end in ("p2", "p1", "")]

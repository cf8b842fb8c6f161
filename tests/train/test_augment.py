"""Strong changes to examples: they change what they claim to, and no label becomes wrong."""

from __future__ import annotations

import dataclasses
import math

import cv2
import numpy as np
import pytest
import torch
import torch.nn.functional as F
from torch import Tensor

from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean
from crownlet.infer.image.crops import CROP_BODY_PX, CROP_HEIGHT_PX, CROP_WIDTH_PX, RULED_LINE_ROW
from crownlet.models.assessor import NO_LETTER_CLASS, TAGS_UNKNOWN
from crownlet.train.fit import photometry
from crownlet.train.fit.augment import (
    NO_CHANGES,
    Strengths,
    change_crops,
    degrade_harsh,
    ink_edges,
)
from crownlet.train.fit.augment_tiles import change_tiles, move_letters
from crownlet.train.fit.crops import make_crops
from crownlet.train.fit.draws import VARIANCE_SHARES, Draws
from crownlet.train.fit.photometry import INK_LEVEL, SKIN_LEVEL
from crownlet.train.fit.tiles import WINDOW_PX, make_tile, pad_tile
from crownlet.train.fit.warp import (
    Warp,
    affine_matrices,
    apply_warp,
    interpolate_grid,
    smooth_bends,
)

Batch = dict[str, Tensor]


@pytest.fixture(autouse=True)
def seeded() -> None:
    torch.manual_seed(7)


@pytest.fixture(scope="module")
def rows() -> Batch:
    """Crops of two clean pages, each by a hand of its own."""
    parts = []
    for seed in (3, 4):
        page = compose(clean(letters=(20, 30)), seed)
        crops = make_crops(page, np.random.default_rng(seed), most=24)
        part = {f.name: torch.from_numpy(getattr(crops, f.name)) for f in dataclasses.fields(crops)}
        parts.append(part | {"page": torch.full((len(crops.letter),), seed)})
    return {key: torch.cat([part[key] for part in parts]) for key in parts[0]}


def bar(left: int, top: int, right: int, bottom: int, size: tuple[int, int] = (64, 64)) -> Tensor:
    """A black bar on skin."""
    image = torch.full((1, 1, *size), SKIN_LEVEL)
    image[:, :, top:bottom, left:right] = INK_LEVEL
    return image


def widths(image: Tensor) -> tuple[float, float]:
    """Columns and rows of ink through the middle, by darkness, which fractions of a px have too."""
    dark = (SKIN_LEVEL - image[0, 0]) / (SKIN_LEVEL - INK_LEVEL)
    return float(dark[32].sum()), float(dark[:, 32].sum())


one = torch.ones(1)


def test_nothing_changes_at_no_strength(rows: Batch) -> None:
    out = change_crops(rows, NO_CHANGES)
    assert torch.equal(out["images"], rows["images"].float() / 255)
    assert all(out[key] is rows[key] for key in rows if key != "images")
    image = torch.rand(2, 1, CROP_HEIGHT_PX, CROP_WIDTH_PX)
    zero = torch.zeros(2)
    for same in (
        photometry.thicken(image, zero, zero),
        photometry.round_outlines(image, zero, None),
        photometry.lower_resolution(image, zero + 1, zero),
        photometry.compress(image, zero),
        photometry.blur(image, zero, zero, zero),
        photometry.add_grain(image, zero, torch.randn_like(image), zero),
        photometry.light_unevenly(image, zero, torch.randn(2, 1, 3, 3)),
    ):
        assert torch.allclose(same, image, atol=1e-4)


def test_plain_pages_among_changed_ones_keep_every_label(rows: Batch) -> None:
    out = change_crops(rows, Strengths(bent=0.0, harsh=1e-9))
    for key in ("boxes", "parts", "tags", "letter"):
        assert torch.equal(out[key], rows[key])
    assert torch.equal(out["defects"].isnan(), rows["defects"].isnan())
    assert torch.allclose(out["images"], rows["images"].float() / 255, atol=2e-3)


def test_only_harsh_rows_are_taken_by_a_worse_camera(rows: Batch) -> None:
    images = rows["images"][:12, None].float() / 255
    draws = Draws(torch.arange(12) // 2, rows["letter"][:12])
    harsh = (torch.arange(12) // 2 % 2).float()
    out = degrade_harsh(images, draws, harsh, Strengths(), 1.0)
    same = (out == images).flatten(1).all(dim=1)
    assert torch.equal(same, harsh == 0)
    # Rows of a page go on sharing what is drawn once a page.
    shared = draws.of(torch.tensor([2, 3, 6, 7])).once_a_page()
    assert shared[0] == shared[1] != shared[2] == shared[3]


def test_what_is_bent_keeps_tags_and_parts_and_what_is_harsh_only_its_class(rows: Batch) -> None:
    letters = rows["letter"] != NO_LETTER_CLASS
    bent = change_crops(rows, Strengths(bent=1.0, harsh=0.0))
    assert bent["defects"].isnan().all()
    assert torch.equal(bent["tags"], rows["tags"])
    assert (bent["parts"].flatten(1).amax(1) > 0)[letters].all()
    harsh = change_crops(rows, Strengths(bent=0.0, harsh=1.0))
    assert harsh["defects"].isnan().all()
    assert (harsh["tags"][letters] == TAGS_UNKNOWN).all()
    assert (harsh["parts"] == 0).all()
    for out in (bent, harsh):
        assert torch.equal(out["letter"], rows["letter"])
        assert out["images"].min() >= 0
        assert out["images"].max() <= 1
        moved = (out["images"] - rows["images"].float() / 255).abs().mean(dim=(1, 2))
        assert (moved > 1e-3).float().mean() > 0.9


def test_masks_and_boxes_follow_the_ink(rows: Batch) -> None:
    """The mask of all ink, a stride of 4 coarser, covers the ink that was moved."""
    out = change_crops(rows, Strengths(bent=1.0, harsh=0.0))
    letters = (rows["letter"] != NO_LETTER_CLASS) & (rows["parts"][:, 0].flatten(1).amax(1) > 0)
    for batch in (rows, out):
        images = batch["images"].float()
        images = images / 255 if images.max() > 1 else images
        mask = batch["parts"][letters, 0].float() / 255
        dark = torch.nn.functional.avg_pool2d((images[letters, None] < 0.5).float(), 4)[:, 0]
        assert (dark[mask > 0.9]).mean() > 0.93
        edges, _ = ink_edges(mask)
        off = (edges * 4 - batch["boxes"][letters].float()).abs()
        assert off.median() <= 4
        assert off.quantile(0.95) <= 9


def test_a_warp_moves_points_to_where_it_shows_them() -> None:
    """A dot is looked for in the warped picture, at the place that `move` names."""
    count = 12
    matrix = affine_matrices(
        torch.linspace(0.7, 1.4, count), torch.linspace(1.1, 0.9, count),
        torch.linspace(-0.25, 0.25, count), torch.linspace(0.08, -0.08, count),
    )  # fmt: skip
    bend = smooth_bends(torch.randn(count, 2, 5, 4) * 2, (CROP_HEIGHT_PX, CROP_WIDTH_PX))
    pivot = torch.tensor([[CROP_WIDTH_PX / 2, RULED_LINE_ROW + CROP_BODY_PX / 2]]).expand(count, 2)
    warp = Warp(matrix, pivot, pivot + 1.5, bend)
    points = torch.rand(count, 1, 2) * 30 + torch.tensor([32.0, 50.0])
    yy, xx = torch.meshgrid(
        torch.arange(CROP_HEIGHT_PX) + 0.5, torch.arange(CROP_WIDTH_PX) + 0.5, indexing="ij"
    )
    dots = torch.exp(-((xx - points[:, :, :1]) ** 2 + (yy - points[:, :, 1:]) ** 2) / 8)
    shown = apply_warp(dots[:, None], warp, 0.0, (CROP_HEIGHT_PX, CROP_WIDTH_PX))[:, 0]
    weight = shown / shown.sum(dim=(1, 2), keepdim=True)
    found = torch.stack([(weight * xx).sum((1, 2)), (weight * yy).sum((1, 2))], dim=1)
    assert (found - warp.move(points)[:, 0]).abs().max() < 0.6


@pytest.mark.parametrize("grid, size", [((5, 4), (96, 80)), ((3, 3), (48, 96)), ((6, 5), (9, 7))])
def test_a_grid_is_interpolated_as_torch_does_it(
    grid: tuple[int, int], size: tuple[int, int]
) -> None:
    values = torch.randn(3, 2, *grid, generator=torch.Generator().manual_seed(4))
    there = F.interpolate(values, size=size, mode="bicubic", align_corners=True)
    assert torch.allclose(interpolate_grid(values, size), there, atol=1e-5)


def test_strokes_grow_and_shrink_in_one_direction() -> None:
    image = bar(24, 20, 40, 44)
    for strength in (1.0, 0.5, -1.0):
        across, down = widths(photometry.thicken(image, strength * one, 0 * one))
        assert across == pytest.approx(16 + 2 * strength, abs=0.05)
        assert down == pytest.approx(24, abs=0.05)
    assert widths(photometry.thicken(image, 0 * one, one))[1] == pytest.approx(26, abs=0.05)


def test_hairlines_and_gaps_survive_thin_and_thick_strokes() -> None:
    hairline = bar(31, 10, 33, 54)
    assert photometry.thicken(hairline, -1.5 * one, 0 * one)[0, 0, 32, 31:33].max() < 0.5
    gap = torch.minimum(bar(10, 20, 31, 44), bar(34, 20, 54, 44))
    assert photometry.thicken(gap, 1.5 * one, 0 * one)[0, 0, 32, 32] > 0.6


def test_corners_are_rounded_below_the_ruled_line_only() -> None:
    image = bar(16, 16, 48, 48)
    out = photometry.round_outlines(image, 4 * one, below=32.0)
    corner = (SKIN_LEVEL + INK_LEVEL) / 2
    assert out[0, 0, 47, 47] > corner > out[0, 0, 16, 16]
    assert out[0, 0, 40, 24] < INK_LEVEL + 0.02


def test_blur_has_the_width_of_the_gaussian_of_a_reference() -> None:
    """OpenCV's GaussianBlur, another implementation, on an edge."""
    image = bar(0, 0, 32, 64)
    ours = photometry.blur(image, 2 * one, 2 * one, 0.7 * one)[0, 0].numpy()
    theirs = cv2.GaussianBlur(image[0, 0].numpy(), (15, 15), 2.0, borderType=cv2.BORDER_REPLICATE)
    assert np.abs(ours - theirs).max() < 2e-3
    shaken = photometry.blur(image, 3 * one, 0.01 * one, math.pi / 2 * one)
    assert torch.allclose(shaken, image, atol=1e-3)


def test_a_coarser_grid_is_area_averaging_as_a_reference_does_it() -> None:
    """OpenCV's INTER_AREA and back by INTER_LINEAR, away from the border."""
    image = torch.rand(1, 1, CROP_HEIGHT_PX, CROP_WIDTH_PX)
    ours = photometry.lower_resolution(image, 4 * one, 0 * one)[0, 0].numpy()
    small = cv2.resize(
        image[0, 0].numpy(), (CROP_WIDTH_PX // 4, CROP_HEIGHT_PX // 4), interpolation=cv2.INTER_AREA
    )
    theirs = cv2.resize(small, (CROP_WIDTH_PX, CROP_HEIGHT_PX), interpolation=cv2.INTER_LINEAR)
    assert np.abs(ours - theirs)[4:-4, 4:-4].max() < 1e-4


def test_compression_loses_about_what_jpeg_loses() -> None:
    """OpenCV's JPEG at the qualities that the standard's factors mean: 50 is 1, 25 is 2."""
    page = compose(clean(letters=(20, 30)), 3).image
    gray = page if page.ndim == 2 else cv2.cvtColor(page, cv2.COLOR_RGB2GRAY)
    gray = cv2.GaussianBlur(gray, (0, 0), 1.0)
    gray = gray[: gray.shape[0] // 8 * 8, : gray.shape[1] // 8 * 8]
    image = torch.from_numpy(gray.astype(np.float32) / 255)[None, None]
    for quality, factor in ((50, 1.0), (25, 2.0)):
        _, coded = cv2.imencode(".jpg", gray, [cv2.IMWRITE_JPEG_QUALITY, quality])
        theirs = cv2.imdecode(coded, cv2.IMREAD_GRAYSCALE).astype(np.float32) / 255
        ours = photometry.compress(image, factor * one)[0, 0].numpy().clip(0, 1)
        lost = [float(np.sqrt(((x - image[0, 0].numpy()) ** 2).mean())) for x in (ours, theirs)]
        assert lost[0] == pytest.approx(lost[1], rel=0.1)


def test_draws_are_shared_within_a_hand_as_they_say() -> None:
    """Of 400 pages with two letters twice each: the correlations are the shared variances."""
    page = torch.arange(400).repeat_interleave(4)
    letter = torch.tensor([1, 1, 2, 2]).repeat(400)
    drawn = Draws(page, letter).normal(25).view(400, 4, 25).permute(1, 0, 2).flatten(1)
    table = torch.corrcoef(drawn)
    assert float(table[0, 1]) == pytest.approx(VARIANCE_SHARES[0] + VARIANCE_SHARES[1], abs=0.04)
    assert float(table[0, 2]) == pytest.approx(VARIANCE_SHARES[0], abs=0.05)
    assert float(drawn.std()) == pytest.approx(1.0, abs=0.04)
    kinds = Draws(page, letter).once_a_page().view(400, 4)
    assert (kinds == kinds[:, :1]).all()
    uniform = Draws(page, letter).uniform(2.0, 3.0)
    assert 2.0 <= float(uniform.min()) < 2.05 < 2.95 < float(uniform.max()) <= 3.0


@pytest.fixture(scope="module")
def tiles() -> Batch:
    made = []
    for seed in (5, 6):
        page = compose(clean(letters=(30, 40)), seed)
        made.append(pad_tile(make_tile(page, np.random.default_rng(seed))))
    image, letters, ignore = (torch.from_numpy(np.stack(c)) for c in zip(*made, strict=True))
    return {"image": image, "letters": letters, "ignore": ignore, "page": torch.tensor([5, 6])}


@pytest.mark.parametrize("strengths", [NO_CHANGES, Strengths(bent=1.0, harsh=0.0)])
def test_anchors_of_a_tile_stay_on_what_they_mark(tiles: Batch, strengths: Strengths) -> None:
    """A dot is painted at each anchor, and looked for at the place that the changed tile names."""
    dotted = tiles["image"].clone()
    for image, letters in zip(dotted, tiles["letters"], strict=True):
        image[:] = 224
        for x, y in letters[letters[:, 6] >= 0, :2].numpy().round().astype(int):
            image[max(0, y - 2) : y + 2, max(0, x - 2) : x + 2] = 32
    out = change_tiles(tiles | {"image": dotted}, strengths)
    assert out["image"].shape == (2, WINDOW_PX, WINDOW_PX)
    off = []
    for image, letters in zip(out["image"], out["letters"], strict=True):
        for x, y in letters[letters[:, 6] >= 0, :2].tolist():
            if min(x, y) > 6 and max(x, y) < WINDOW_PX - 6:
                near = SKIN_LEVEL - image[round(y) - 5 : round(y) + 5, round(x) - 5 : round(x) + 5]
                weight = near.clamp(min=0) / near.clamp(min=0).sum()
                steps = torch.arange(10) + 0.5
                found = ((weight.sum(0) * steps).sum(), (weight.sum(1) * steps).sum())
                off += [float(found[0]) - 5 + round(x) - x, float(found[1]) - 5 + round(y) - y]
    assert len(off) > 40
    assert max(map(abs, off)) < 1.3


def test_boxes_and_heights_of_a_tile_follow_the_stretch(tiles: Batch) -> None:
    out = change_tiles(tiles, Strengths(bent=1.0, harsh=0.0))
    kept = out["letters"][:, :, 6] >= 0
    before, after = tiles["letters"][kept], out["letters"][kept]
    assert torch.equal(before[:, [6, 7, 9, 10]], after[:, [6, 7, 9, 10]])
    sides = [rows[:, 2] + rows[:, 4] for rows in (before, after)]
    tall = [rows[:, 3] + rows[:, 5] for rows in (before, after)]
    factors = (sides[1] / sides[0]) * (tall[1] / tall[0])
    assert factors.min() > 0.3
    assert factors.max() < 3.0
    upright = before[:, 7] % 2 == 0
    grown = after[upright, 8] / before[upright, 8]
    assert ((tall[1] / tall[0])[upright] / grown).sub(1).abs().median() < 0.1


def test_a_letter_that_the_window_cuts_is_ignored_not_asked_for() -> None:
    letters = torch.full((1, 4, 11), -1.0)
    letters[0, 0] = torch.tensor((50.0, 50, 10, 12, 10, 14, 3, 0, 28, 3, 0))
    letters[0, 1] = torch.tensor((97.0, 50, 10, 12, 10, 14, 3, 1, 28, 3, 0))
    letters[0, 2] = torch.tensor((300.0, 50, 10, 12, 10, 14, 3, 0, 28, 3, 0))
    zero = torch.zeros(1)
    middle = torch.tensor([[50.0, 50.0]])
    straight = Warp(
        affine_matrices(zero + 1, zero + 1, zero, zero), middle, middle, torch.zeros(1, 2, 100, 100)
    )
    out, ignore = move_letters(letters, torch.zeros(1, 2, 4), straight)
    assert torch.allclose(out[0, 0], letters[0, 0], atol=1e-3)
    assert (out[0, 1:, 6] == -1).all()
    assert torch.allclose(ignore[0, 3], torch.tensor([87.0, 38, 100, 64]), atol=1e-3)
    assert (ignore[0, [0, 1, 2, 5]] == 0).all()
    wide = Warp(affine_matrices(zero + 1.25, zero + 0.8, zero, zero), middle, middle, straight.bend)
    out, _ = move_letters(letters, torch.zeros(1, 2, 4), wide)
    moved = torch.tensor((50.0, 50, 12.5, 9.6, 12.5, 11.2, 3, 0, 28 * 0.8, 3, 0))
    assert torch.allclose(out[0, 0], moved, atol=1e-3)

"""Pictures painted on the training device: labels stay right, each showing is another picture, and
they look as those of the processor do."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch
from hydra import compose as compose_config
from hydra import initialize_config_module
from torch import Tensor

from crownlet.datasets.render.page.flat import BARE_GREY, compose_flat
from crownlet.datasets.render.page.spec import clean, training
from crownlet.infer.image.upright import SKIN_GREY
from crownlet.models.assessor import NO_LETTER_CLASS
from crownlet.train.fit.augment import ink_edges
from crownlet.train.fit.data import Renders, claim_pool
from crownlet.train.fit.draws import Draws
from crownlet.train.fit.errors import TrainingError
from crownlet.train.fit.fit import fit
from crownlet.train.fit.flat import pack_masks, prepare_flat_examples, unpack_masks
from crownlet.train.fit.paint import cut_skins, paint_crops, paint_tiles, rule, turn_back
from crownlet.train.fit.painting import (
    SkinPainter,
    read_skins,
    read_wide_crops,
    read_wide_tiles,
)
from crownlet.train.fit.pool import (
    fill_from_pages,
    fill_pool_from,
    prepare_flat,
    render_flat_pages,
    render_pages,
)
from crownlet.train.fit.reservoir import Batch, Reservoir, read_crops
from crownlet.train.fit.scans import fill_pool
from crownlet.train.fit.weights import facts_of
from tests.train.conftest import fill_small_pool

BARE = torch.full((1, 64, 64), round(SKIN_GREY), dtype=torch.uint8)
"""Skin without any texture."""


@pytest.fixture(scope="module")
def flat_pool(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("flat")
    pages = render_flat_pages(clean(letters=(20, 30)), (3, 4))
    assert fill_pool_from(folder, pages, prepare_flat) == 2
    return folder


def rows_of(folder: Path, reader: Callable[[Path], Batch]) -> Batch:
    parts = [reader(path) for path in sorted(folder.glob("*.npz"))]
    return {key: torch.cat([part[key] for part in parts]) for key in parts[0]}


def seeded(seed: int) -> torch.Generator:
    return torch.Generator().manual_seed(seed)


def test_the_ink_of_a_flat_page_lies_where_its_letters_are() -> None:
    flat = next(compose_flat(clean(letters=(20, 30)), 5))
    image = flat.page.image
    assert (image == BARE_GREY).mean() > 0.6
    covered = np.zeros(image.shape, bool)
    for letter in flat.page.letters:
        x0, y0, x1, y1 = letter.box
        covered[max(0, int(y0) - 1) : int(y1) + 2, max(0, int(x0) - 1) : int(x1) + 2] = True
        assert letter.body[2] == pytest.approx(48.0, abs=0.01)
        # Letters hang from their ruled line, which a scribe follows to a third of a pen.
        line = (letter.body[1] - flat.ruling.first) / flat.ruling.pitch
        assert abs(line - round(line)) * flat.ruling.pitch < 16
    assert not (image[~covered] < 128).any()


def test_painting_changes_no_label_and_follows_the_ink(flat_pool: Path) -> None:
    rows = rows_of(flat_pool, read_wide_crops)
    out = paint_crops(rows, BARE, seeded(1))
    for key in ("letter", "other", "share", "tags", "page"):
        assert torch.equal(out[key], rows[key])
    assert torch.equal(out["defects"].isnan(), rows["defects"].isnan())
    letters = (rows["letter"] != NO_LETTER_CLASS) & (out["parts"][:, 0].flatten(1).amax(1) > 0)
    assert letters.sum() > 30
    mask = out["parts"][letters, 0].float() / 255
    dark = torch.nn.functional.avg_pool2d((out["images"][letters, None] < 128).float(), 4)[:, 0]
    # Blur and coarse pixels take some of a letter's corners; boxes are off by up to a third of a
    # pen (16 px), as the locator's are, and masks are coarse by 4 px.
    assert dark[mask > 0.9].mean() > 0.9
    edges, _ = ink_edges(mask)
    off = (edges * 4 - out["boxes"][letters].float()).abs()
    assert off.median() <= 4
    assert off.quantile(0.95) <= 11


def test_each_showing_is_another_picture_and_a_seed_repeats_it(flat_pool: Path) -> None:
    rows, bare = rows_of(flat_pool, read_wide_crops), rows_of(flat_pool, read_skins)["bare"]
    one, two, again = (paint_crops(rows, bare, seeded(seed))["images"] for seed in (1, 2, 1))
    assert torch.equal(one, again)
    assert (one.float() - two.float()).abs().mean(dim=(1, 2)).min() > 1.0


def test_packed_masks_hold_two_bits_of_each_part() -> None:
    masks = np.random.default_rng(1).integers(0, 256, (3, 6, 8, 4), dtype=np.uint8)
    masks[:, 0] = masks[:, 1:].max(axis=1)
    found = unpack_masks(torch.from_numpy(pack_masks(masks))).numpy()
    np.testing.assert_allclose(found, masks / 255, atol=1 / 6 + 1e-3)


def test_beyond_the_frame_a_picture_is_even(flat_pool: Path) -> None:
    rows = rows_of(flat_pool, read_wide_crops)
    rows["frame"] = torch.tensor([[0.0, 0.0, 64.0, 160.0]]).expand(len(rows["page"]), 4)
    out = paint_crops(rows, BARE, seeded(3))["images"]
    # Crops tilt by less than seven degrees about a place some 16 px from the frame's edge.
    assert (out[:, :, 80:] == round(SKIN_GREY)).all()
    assert (out[:, :, :28] != round(SKIN_GREY)).any(dim=2).any(dim=1).all()


def test_a_tile_turned_back_lies_as_it_was_cut() -> None:
    """numpy's rot90 is the reference: a dot is looked for in the turned square."""
    side = 8
    for turns in range(4):
        square = np.zeros((side, side))
        square[2, 5] = 1.0
        row, column = np.argwhere(np.rot90(square, -turns) == 1.0)[0]
        place = torch.tensor([[[[column + 0.5, row + 0.5]]]])
        back = turn_back(place, torch.tensor([turns]), side)[0, 0, 0]
        assert back.tolist() == [5.5, 2.5]


def test_anchors_of_a_painted_tile_stay_on_what_they_mark(flat_pool: Path) -> None:
    """A dot is painted at each anchor, and looked for at the place that the picture names."""
    rows = rows_of(flat_pool, read_wide_tiles)
    dotted = torch.full_like(rows["image"], round(SKIN_GREY))
    for image, letters in zip(dotted, rows["letters"], strict=True):
        for x, y in letters[letters[:, 6] >= 0, :2].numpy().round().astype(int):
            image[max(0, y - 3) : y + 3, max(0, x - 3) : x + 3] = 20
    rows["ruling"] = torch.tensor([[-1e4, 1e4, -1e4, 1e4]]).expand(len(dotted), 4)
    out = paint_tiles(rows | {"image": dotted}, BARE, seeded(5))
    assert torch.equal(out["letters"][:, :, 6], rows["letters"][:, :, 6])
    off: list[float] = []
    for image, letters in zip(out["image"].float(), out["letters"], strict=True):
        for x, y in letters[letters[:, 6] >= 0, :2].tolist():
            if min(x, y) > 8 and max(x, y) < image.shape[0] - 8:
                near = image[round(y) - 7 : round(y) + 7, round(x) - 7 : round(x) + 7]
                weight = (170 - near).clamp(min=0)
                if weight.sum() < 200:  # Pale by glare or blur.
                    continue
                weight = weight / weight.sum()
                steps = torch.arange(14) + 0.5
                off += [float((weight.sum(0) * steps).sum()) - 7 + round(x) - x]
                off += [float((weight.sum(1) * steps).sum()) - 7 + round(y) - y]
    assert len(off) > 60
    assert np.quantile(np.abs(off), 0.95) < 1.3


def test_ruled_lines_lie_where_the_page_is_ruled() -> None:
    count = 60
    y = torch.arange(120) + 0.5
    places = torch.stack([torch.full_like(y, 40.0), y], dim=-1)[None, :, None].expand(
        count, -1, 1, 2
    )
    draws = Draws(torch.arange(count), torch.zeros(count), seeded(2))
    tone = rule(
        places, torch.tensor([[50.0, 40.0, -1e4, 1e4]]).expand(count, 4), torch.ones(count), draws
    )
    pressed = (tone - 1).abs()[:, :, 0]
    assert 0.5 < float((pressed.amax(dim=1) > 0.01).float().mean()) < 0.95
    # A line lies up to 0.6 pens (16 px) above the letters, its lit bank 4 px below it.
    where = pressed.argmax(dim=1)[pressed.amax(dim=1) > 0.01]
    far = (where + 0.5 - 50.0) % 40.0
    assert ((far > 40 - 11) | (far < 5)).all()


def test_a_piece_of_skin_is_cut_from_anywhere_and_mirrored_without_a_seam() -> None:
    slope = (torch.arange(64)[:, None] + torch.arange(64)[None]).to(torch.uint8)[None] + 60
    draws = Draws(torch.arange(40), torch.zeros(40), seeded(4))
    out = cut_skins(slope, torch.ones(40), (96, 80), draws)[:, 0] * SKIN_GREY
    for axis in (1, 2):
        assert out.diff(dim=axis).abs().max() <= 1.01
    assert len(out.flatten(1).unique(dim=0)) == 40


def test_pictures_of_the_device_look_as_those_of_the_processor(tmp_path: Path) -> None:
    """Greys of bare skin, of ink and of the steepest edges: medians over pages, which differ by
    that much between two samples of so few pages."""
    spec = training(letters=(30, 40))
    fill_from_pages(tmp_path / "today", render_pages(spec, range(40, 48), photographs=2))
    fill_pool_from(
        tmp_path / "flat", render_flat_pages(spec, range(40, 48), sheets=2), prepare_flat
    )
    today = rows_of(tmp_path / "today", read_crops)["images"]
    rows, bare = (rows_of(tmp_path / "flat", reader) for reader in (read_wide_crops, read_skins))
    device = paint_crops(rows, bare["bare"], seeded(1))["images"]
    (skin, ink, edge), (other_skin, other_ink, other_edge) = map(look_of, (today, device))
    assert skin == pytest.approx(other_skin, abs=4)
    assert ink == pytest.approx(other_ink, abs=10)
    assert edge == pytest.approx(other_edge, rel=0.25)


def look_of(images: Tensor) -> tuple[float, float, float]:
    greys = images.float()
    steps = (greys[:, :, 1:] - greys[:, :, :-1]).abs().flatten(1).topk(60, dim=1).values.mean(dim=1)
    skin = greys.flatten(1).quantile(0.6, dim=1)
    return float(skin.median()), float(greys[greys < 110].median()), float(steps.median())


def test_scans_are_cut_anew_for_each_showing(tmp_path: Path, scan_set: Callable[..., Path]) -> None:
    """Eight showings of one kept example are eight pictures; its labels stay."""
    scans = scan_set(tmp_path, {"train": (3,)})
    assert fill_pool(tmp_path / "pool", scans, "train", 1, "device") == 1
    kept = Reservoir(tmp_path / "pool", read_wide_crops, 4096, torch.device("cpu"))
    kept.top_up()
    painter = SkinPainter(paint_crops)
    rows = kept.all_rows()
    shown = [painter(rows, seeded(seed)) for seed in range(8)]
    for out in shown:
        assert torch.equal(out["letter"], rows["letter"])
        assert torch.equal(out["tags"], rows["tags"])
        mask, letters = out["parts"][:, 0].float() / 255, out["letter"] != NO_LETTER_CLASS
        dark = torch.nn.functional.avg_pool2d((out["images"][:, None] < 128).float(), 4)[:, 0]
        assert dark[letters][mask[letters] > 0.9].mean() > 0.9
    pictures = torch.stack([out["images"] for out in shown]).float()
    apart = (pictures[:, None] - pictures[None]).abs().mean(dim=(3, 4))
    different = apart[~torch.eye(8, dtype=torch.bool)]
    assert different.min() > 0.5
    assert different.median() > 5


@pytest.mark.parametrize("model", ["assessor", "locator"])
def test_a_run_learns_from_pages_that_its_device_paints(
    tmp_path: Path, model: str, scan_set: Callable[..., Path]
) -> None:
    pool = fill_small_pool(tmp_path / "pool")
    for path in (pool / "train").glob("*.npz"):
        path.unlink()
    fill_pool_from(
        pool / "train", render_flat_pages(clean(letters=(20, 30)), range(2)), prepare_flat
    )
    scans = scan_set(tmp_path, {"train": (3,)})
    with initialize_config_module("crownlet.configs", version_base="1.3"):
        config = compose_config(
            "train",
            [
                f"model={model}", "model.widths=[8,8,8,8]", "trainer=tiny", "trainer.max_steps=3",
                "trainer.progress=false", "trainer.batch_size=4", f"out='{tmp_path}/out'",
                f"data.folder='{pool}'", "data.watch_pages=1", "data.workers=0",
                "data.paint=device", f"data.scans='{scans}'", "data.scans_share=0.5",
                "data.scans_copies=1",
            ],
        )  # fmt: skip
    facts = facts_of(fit(config))
    assert facts["steps"] == 3
    assert facts["seen"]["rendered_pages"] == 2
    assert facts["seen"]["scan_pages"] == [1]


def test_flat_pages_and_pictures_share_no_pool(tmp_path: Path) -> None:
    page, watch = clean(), clean(split="calibrate")
    claim_pool(Renders(tmp_path, page, watch))
    with pytest.raises(TrainingError, match="paint"):
        claim_pool(Renders(tmp_path, page, watch, paint="device"))
    with pytest.raises(ValueError, match="processor, device"):
        Renders(tmp_path, page, watch, paint="gpu")  # type: ignore[arg-type]


def test_a_page_of_which_nothing_is_written_gives_no_crop() -> None:
    flat = next(compose_flat(clean(letters=(20, 30)), 5))
    empty = replace(flat, page=replace(flat.page, letters=()))
    arrays = prepare_flat_examples(empty, np.random.default_rng(1), 2)
    assert len(arrays["wide"]) == len(arrays["letter"]) == 0
    assert len(arrays["tile_image"]) == 2

"""Flat writing photographed on the training device: skin, light, camera, cut are drawn each time.

Rows of `fit.flat` become rows such as `Crops` and tiles have, greys as `infer.image.flatten` leaves
them. What is drawn, and how often, is that of `datasets.render.page` (`skin`, `light`, `camera`)
and of `fit.crops`; a picture is drawn for each row alone.
"""

from __future__ import annotations

from collections.abc import Callable

import torch
from torch import Tensor
from torch.nn.functional import avg_pool2d

from crownlet.infer.image.crops import (
    CROP_BODY_PX,
    CROP_HEIGHT_PX,
    CROP_WIDTH_PX,
    RULED_LINE_ROW,
    SIDE_MARGIN_PX,
)
from crownlet.infer.image.upright import INK_GREY, SKIN_GREY
from crownlet.train.fit.augment_tiles import move_letters
from crownlet.train.fit.camera import Surface, take_picture
from crownlet.train.fit.draws import Draws
from crownlet.train.fit.flat import MAX_DARK_GREY, unpack_masks
from crownlet.train.fit.reservoir import Batch
from crownlet.train.fit.warp import Warp, affine_matrices, apply_warp, smooth_bends

PEN_PX = CROP_BODY_PX / 3

CAMERA_SHARE = 0.6

SCANNER_WARP = 0.15
"""Of a camera's tilt and bend, what a scanner's pictures have."""

POOR_SHARE = 0.2
"""Of crops, those that pass through a coarse resolution, as `fit.crops.make_crops` does it."""

WAVER_PX = 0.4
"""Standard deviation of a letter's bends, `datasets.render.page.labels.WAVER_Q`."""

SAG_PX = 2.0
"""Standard deviation of the bends of a camera's tile at full size."""


Painting = Callable[[Batch, Tensor | None, torch.Generator | None], Batch]
"""`paint_crops` or `paint_tiles`."""


@torch.no_grad()
def paint_crops(
    rows: Batch, bare: Tensor | None, generator: torch.Generator | None = None
) -> Batch:
    """Rows of `Crops` with their `page` from N wide crops, cut as unsteadily as `make_crops` does.

    `bare` (n, S, S) uint8 are pieces of skin; without them rows are of scans. No label changes.
    """
    draws = _own_draws(len(rows["page"]), rows["page"].device, generator)
    by_camera = draws.sometimes(CAMERA_SHARE)
    moved = _share_moved(by_camera, bare)
    warp, boxes = _aim_crops(rows, draws, moved)
    size = (rows["wide"].shape[1], rows["wide"].shape[2])
    upright = rows | {"image": rows["wide"], "unit": torch.ones_like(by_camera)}
    pictures = _photograph(upright, warp, warp.sources, by_camera, bare, draws, POOR_SHARE)
    limit = torch.tensor([CROP_WIDTH_PX, CROP_HEIGHT_PX] * 2, device=boxes.device)
    corners = warp.move(boxes[:, [0, 1, 2, 1, 2, 3, 0, 3]].view(-1, 4, 2))
    placed = torch.cat([corners.amin(dim=1), corners.amax(dim=1)], dim=1)
    placed = torch.minimum(placed.clamp(min=0), limit)
    placed = torch.cat([placed[:, :2].floor(), placed[:, 2:].ceil()], dim=1)
    some = (placed[:, 2:] > placed[:, :2]).all(dim=1, keepdim=True)
    # Warped at half the resolution of the picture, then halved: sharper than masks of a quarter.
    parts = avg_pool2d(apply_warp(unpack_masks(rows["parts"]), warp, 0.0, size), 2)
    kept = ("letter", "other", "share", "defects", "tags", "page")
    return {key: rows[key] for key in kept} | {
        "images": pictures,
        "boxes": (placed * some).to(torch.uint8),
        "parts": (parts * 255).round().clamp(0, 255).to(torch.uint8),
    }


@torch.no_grad()
def paint_tiles(
    rows: Batch, bare: Tensor | None, generator: torch.Generator | None = None
) -> Batch:
    """Rows of `reservoir.read_tiles` from wide tiles; `bare` as in `paint_crops`. Letters and
    ignored boxes follow the tilt of the picture."""
    count, side = len(rows["page"]), rows["image"].shape[1]
    draws = _own_draws(count, rows["page"].device, generator)
    by_camera = draws.sometimes(CAMERA_SHARE)
    moved = _share_moved(by_camera, bare)
    middle = torch.full((count, 2), side / 2, device=moved.device)
    bend = draws.normal(2, 5, 5) * (moved * SAG_PX * rows["unit"])[:, None, None, None]
    one = torch.ones_like(moved)
    warp = Warp(
        affine_matrices(
            one + 0.02 * moved * draws.normal(), one + 0.02 * moved * draws.normal(),
            0.01 * moved * draws.normal(), _tilt(draws, moved),
        ),
        middle, middle, smooth_bends(bend, (side, side)),
    )  # fmt: skip
    letters, ignore = move_letters(rows["letters"], rows["ignore"], warp)
    # Tiles have been through coarse resolutions when they were cut.
    upright = turn_back(warp.sources, rows["turns"], side)
    pictures = _photograph(rows, warp, upright, by_camera, bare, draws, 0.0)
    return {"image": pictures, "letters": letters, "ignore": ignore, "page": rows["page"]}


def _own_draws(count: int, device: torch.device, generator: torch.Generator | None) -> Draws:
    """Random numbers of which no two rows share any: each is a picture of its own."""
    number = torch.arange(count, device=device)
    return Draws(number, torch.zeros_like(number), generator)


def _share_moved(by_camera: Tensor, bare: Tensor | None) -> Tensor:
    """(N,) tilt and bend in shares of a camera's; scans, which bring no skins, have none."""
    return by_camera + SCANNER_WARP * (1 - by_camera) if bare is not None else 0 * by_camera


def _tilt(draws: Draws, moved: Tensor) -> Tensor:
    """(N,) radians, as `geometry.draw_geometry` tilts."""
    return torch.deg2rad((1.3 * draws.normal()).clamp(-3.5, 3.5) * moved)


def _aim_crops(rows: Batch, draws: Draws, moved: Tensor) -> tuple[Warp, Tensor]:
    """From wide crops to crops, off by what the locator is off by, and (N, 4) boxes in the former,
    as unsteady."""
    spot = rows["spot"] + (0.14 * draws.normal(2)).clamp(-0.4, 0.4) * PEN_PX
    boxes = rows["box"] + (0.12 * draws.normal(4)).clamp(-0.35, 0.35) * PEN_PX
    down = 1 / (1 + 0.05 * draws.normal()).clamp(0.85, 1.15)
    turn = torch.deg2rad(draws.normal().clamp(-3, 3)) + _tilt(draws, moved)
    reach = torch.maximum((boxes[:, 0] - spot[:, 0]).abs(), (boxes[:, 2] - spot[:, 0]).abs())
    widest = (CROP_WIDTH_PX - 2 * SIDE_MARGIN_PX) / (2 * reach).clamp(min=1.0)
    across = torch.minimum(down * (1 + 0.02 * moved * draws.normal()), widest)
    onto = torch.tensor([CROP_WIDTH_PX / 2, RULED_LINE_ROW], device=spot.device)
    # Letters of a scan keep their strokes: what it shows is as the scribe wrote it.
    bend = draws.normal(2, 5, 4) * (WAVER_PX * (moved > 0))[:, None, None, None]
    return Warp(
        affine_matrices(across, down, 0.01 * moved * draws.normal(), turn),
        spot, onto.expand(len(spot), 2), smooth_bends(bend, (CROP_HEIGHT_PX, CROP_WIDTH_PX)),
    ), boxes  # fmt: skip


def _photograph(
    rows: Batch, warp: Warp, places: Tensor, by_camera: Tensor, bare: Tensor | None, draws: Draws,
    poor: float,
) -> Tensor:  # fmt: skip
    """(N, H, W) uint8 pictures of the `image` of each row, warped; `places` (N, H, W, 2) of their
    px on the upright writing, `poor` the share that a coarse resolution is drawn for."""
    wide, frame, unit = rows["image"], rows["frame"], rows["unit"]
    size = (wide.shape[1], wide.shape[2])
    mode = "bilinear" if poor else "bicubic"
    writing = apply_warp(wide[:, None].float() / SKIN_GREY, warp, 1.0, size, mode)
    tone = None
    if bare is not None:
        skins = cut_skins(bare, unit, warp.size, draws)
        tone = skins * rule(places, rows["ruling"], unit, draws)[:, None]
    near = torch.minimum(
        (places - frame[:, None, None, :2]).amin(dim=3),
        (frame[:, None, None, 2:] - places).amin(dim=3),
    )
    surface = Surface(
        writing, tone, (near + 0.5).clamp(0, 1)[:, None], rows["dark"] / SKIN_GREY, rows["skin"],
        unit, by_camera, poor,
    )  # fmt: skip
    shares, dark = take_picture(surface, draws)
    gain = (SKIN_GREY - INK_GREY) / (SKIN_GREY * (1 - dark)).clamp(min=1.0)
    # As `infer.image.flatten` stretches, where there is ink.
    gain = torch.where(dark * SKIN_GREY < MAX_DARK_GREY, gain, 1.0)[:, None, None, None]
    greys = SKIN_GREY * (1 - (1 - shares) * gain)
    shown = surface.inside * greys + (1 - surface.inside) * SKIN_GREY
    return shown[:, 0].clamp(0, 255).round().to(torch.uint8)


def turn_back(places: Tensor, turns: Tensor, side: int) -> Tensor:
    """Places (N, H, W, 2) on squares of `side` px that were turned clockwise by so many quarters
    (N,), on the squares as they were."""
    x, y = places.unbind(-1)
    quarter = turns.long()[:, None, None] % 4
    upright = torch.where(quarter == 0, x, torch.where(quarter == 2, side - x, side - y))
    across = torch.where(quarter == 1, y, upright)
    straight = torch.where(quarter == 0, y, torch.where(quarter == 2, side - y, x))
    down = torch.where(quarter == 1, side - x, straight)
    return torch.stack([across, down], dim=-1)


def cut_skins(bare: Tensor, unit: Tensor, size: tuple[int, int], draws: Draws) -> Tensor:
    """(N, 1, height, width) tones about 1 from anywhere of any of the skins `bare` (n, S, S) uint8,
    mirrored, turned, and laid side by side where a picture is larger. Skins are of bodies of
    48 px; of `unit` a half or so they are halved."""
    if float(unit.mean()) < 0.75:
        bare = avg_pool2d(bare[:, None].float(), 2)[:, 0]
    count, side = len(unit), bare.shape[1]
    chance = torch.rand(6, count, device=unit.device, generator=draws.generator)
    which = (chance[0] * len(bare)).long().clamp(max=len(bare) - 1)
    axes = []
    for length, start, way in zip(size, chance[1:3], chance[3:5], strict=True):
        steps = torch.arange(length, device=unit.device) * torch.where(way < 0.5, -1, 1)[:, None]
        along = ((start * 2 * side).long()[:, None] + steps) % (2 * side)
        axes.append(torch.where(along < side, along, 2 * side - 1 - along))
    row, column = axes[0][:, :, None], axes[1][:, None, :]
    turned = (chance[5] < 0.5)[:, None, None]
    place = torch.where(turned, column * side + row, row * side + column)
    tone = bare.flatten()[which[:, None, None] * side * side + place].float()
    return tone[:, None] / SKIN_GREY


def rule(places: Tensor, ruling: Tensor, unit: Tensor, draws: Draws) -> Tensor:
    """(N, H, W) tones about 1 of ruled lines and the column's ends, `fit.flat.Ruling` in px (N, 4):
    a shaded and a lit bank, as `datasets.render.page.skin.score_lines` presses them."""
    pen = PEN_PX * unit
    hard = draws.sometimes(0.25)
    most = 0.14 + 0.21 * hard
    shade = -draws.uniform(0.3, 1.0) * most
    lit = draws.uniform(-0.1, 0.8) * most
    blur = (pen * draws.uniform(0.03, 0.12)).clamp(min=0.6)
    thick = (pen * (0.04 + (0.08 + 0.08 * hard) * draws.uniform(0.0, 1.0))).clamp(min=1.0)
    width = (blur**2 + thick**2 / 12).sqrt()[:, None, None]
    first = ruling[:, 0] - pen * draws.sometimes(0.5) * draws.uniform(0.0, 0.6)
    pitch = ruling[:, 1][:, None, None]
    below = places[..., 1] - first[:, None, None]
    below = below - pitch * (below / pitch).round()
    kind = draws.uniform(0.0, 1.0)
    lines = ((kind < 0.5) | (kind > 0.575)).float()
    borders = (kind < 0.575).float()
    step = (1.6 * blur).clamp(min=1.0)[:, None, None]
    tone = (shade * lines)[:, None, None] * _bell(below, width)
    tone = tone + (lit * lines)[:, None, None] * _bell(below - step, width)
    ends = torch.minimum(
        (places[..., 0] - ruling[:, 2, None, None]).abs(),
        (places[..., 0] - ruling[:, 3, None, None]).abs(),
    )
    tone = tone + (shade * borders)[:, None, None] * _bell(ends, width)
    return 1 + draws.sometimes(0.75)[:, None, None] * tone


def _bell(far: Tensor, width: Tensor) -> Tensor:
    return torch.exp(-0.5 * (far / width) ** 2)

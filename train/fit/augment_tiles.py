"""Strong changes to the locator's tiles while training runs, the letters' places moved along."""

from __future__ import annotations

import torch
from torch import Tensor

from crownlet.models.locator import BODY_HEIGHT_PX
from crownlet.train.fit.augment import Strengths, degrade_harsh, draw_change_kinds, draw_proportions
from crownlet.train.fit.draws import Draws
from crownlet.train.fit.photometry import SKIN_LEVEL
from crownlet.train.fit.reservoir import Batch
from crownlet.train.fit.tiles import WINDOW_PX
from crownlet.train.fit.warp import Warp, apply_warp, move_boxes, smooth_bends

STRENGTHS_PX = BODY_HEIGHT_PX / 48
"""Px of a tile to a px of `Strengths`."""

MAX_ZOOM_LOG = 0.16
"""Largest log of a tile's change of size, proportions apart."""

MIN_SHOWN_SHARE = 0.9
"""Share of a letter's box that must lie in the window, else the letter is ignored."""


@torch.no_grad()
def change_tiles(
    batch: Batch, strengths: Strengths, generator: torch.Generator | None = None
) -> Batch:
    """Windows of stored tiles (rows of `reservoir.read_tiles`), changed, with their letters.

    `image` becomes (B, 384, 384) floats in 0..1; letters that the window cuts join `ignore`.
    """
    images = batch["image"][:, None].float() / 255
    size = (images.shape[2], images.shape[3])
    with torch.autocast(images.device.type, enabled=False):
        draws = Draws(batch["page"], torch.zeros_like(batch["page"]), generator)
        kinds = draw_change_kinds(draws, strengths)
        warp = _tile_warp(draws, kinds.bent, strengths, size)
        shown = apply_warp(images, warp, SKIN_LEVEL, size)
        shown = degrade_harsh(shown, draws, kinds.harsh, strengths, STRENGTHS_PX)
        letters, ignore = move_letters(batch["letters"], batch["ignore"], warp)
    return batch | {"image": shown[:, 0].clamp(0, 1), "letters": letters, "ignore": ignore}


def _tile_warp(draws: Draws, bent: Tensor, strengths: Strengths, size: tuple[int, int]) -> Warp:
    """A window somewhere in the tile; where it is not bent, pixels stay pixels."""
    count, device = len(draws), bent.device
    room = torch.tensor([size[1] - WINDOW_PX, size[0] - WINDOW_PX], device=device)
    chance = torch.rand(count, 2, device=device, generator=draws.generator)
    onto = torch.full((count, 2), WINDOW_PX / 2, device=device)
    pivot = onto + (chance * (room + 1)).floor().clamp(max=room)
    zoom = torch.exp(bent * draws.uniform(-MAX_ZOOM_LOG, MAX_ZOOM_LOG))[:, None, None]
    controls = draws.normal(2, 7, 7) * strengths.bend * STRENGTHS_PX * bent[:, None, None, None]
    return Warp(
        draw_proportions(draws, bent, strengths) * zoom,
        pivot,
        onto,
        smooth_bends(controls, (WINDOW_PX, WINDOW_PX)),
    )


def move_letters(letters: Tensor, ignore: Tensor, warp: Warp) -> tuple[Tensor, Tensor]:
    """`letters` (B, n, 11) and `ignore` (B, m, 4), as `fit.tiles.Tile` has them and padded, in the
    result of `warp`: (B, n, 11), and (B, m + n, 4), for cut letters join the ignored."""
    height, width = warp.size
    real = letters[:, :, 6] >= 0
    anchor = letters[:, :, :2]
    boxes = torch.cat([anchor - letters[:, :, 2:4], anchor + letters[:, :, 4:6]], dim=2)
    placed = move_boxes(boxes, warp)
    spot = warp.move(anchor)
    limit = torch.tensor([width, height, width, height], device=letters.device)
    seen = torch.minimum(placed.clamp(min=0), limit)
    share = _area(seen) / _area(placed).clamp(min=1e-3)
    inside = ((spot >= 0) & (spot < limit[:2])).all(dim=2)
    kept = real & inside & (share >= MIN_SHOWN_SHARE)
    out = letters.clone()
    out[:, :, :2] = spot
    out[:, :, 2:4] = spot - placed[:, :, :2]
    out[:, :, 4:6] = placed[:, :, 2:] - spot
    out[:, :, 8] = _body_height(anchor, letters, warp)
    out = torch.where(kept[:, :, None], out, -torch.ones_like(out))
    cut = torch.where((real & ~kept)[:, :, None], seen, torch.zeros_like(seen))
    some = _area(ignore) > 0
    left_out = torch.minimum(move_boxes(ignore, warp).clamp(min=0), limit)
    left_out = torch.where(some[:, :, None], left_out, torch.zeros_like(left_out))
    return out, torch.cat([left_out, cut], dim=1)


def _area(boxes: Tensor) -> Tensor:
    size = (boxes[:, :, 2:] - boxes[:, :, :2]).clamp(min=0)
    return size[:, :, 0] * size[:, :, 1]


def _body_height(anchor: Tensor, letters: Tensor, warp: Warp) -> Tensor:
    """(B, n) heights from the ruled line to the base line, along the letter's own upright."""
    angle = letters[:, :, 7].clamp(min=0) * (torch.pi / 2)
    down = torch.stack([-torch.sin(angle), torch.cos(angle)], dim=2)
    half = down * letters[:, :, 8:9].clamp(min=0) / 2
    across = warp.move(anchor + half) - warp.move(anchor - half)
    return (across * down).sum(dim=2).abs().clamp(min=1.0)

"""Strong changes to the locator's tiles while training runs, the letters' places moved along."""

from __future__ import annotations

import torch
from torch import Tensor

from crownlet.models.locator import UNIT
from crownlet.train.fit.augment import Batch, Strengths, draw_kinds, proportions, written_anew
from crownlet.train.fit.draws import Draws
from crownlet.train.fit.photometry import SKIN
from crownlet.train.fit.tiles import WINDOW
from crownlet.train.fit.warp import Warp, bends, moved_boxes, warped

BODY_UNIT = UNIT / 48
"""Px of a tile to a px of `Strengths`."""

ZOOM = 0.16
"""Largest log of a tile's change of size, proportions apart."""

LEAST_SHOWN = 0.9
"""Share of a letter's box that must lie in the window, else nothing is asked of the letter."""


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
        kinds = draw_kinds(draws, strengths)
        warp = _tile_warp(draws, kinds.bent, strengths, size)
        shown = warped(images, warp, SKIN, size)
        if strengths.harsh > 0:
            shown = written_anew(shown, draws, kinds.harsh, strengths, BODY_UNIT)
        letters, ignore = moved_letters(batch["letters"], batch["ignore"], warp)
    return batch | {"image": shown[:, 0].clamp(0, 1), "letters": letters, "ignore": ignore}


def _tile_warp(draws: Draws, bent: Tensor, strengths: Strengths, size: tuple[int, int]) -> Warp:
    """A window somewhere in the tile; where it is not bent, pixels stay pixels."""
    count, device = len(draws), bent.device
    room = torch.tensor([size[1] - WINDOW, size[0] - WINDOW], device=device)
    chance = torch.rand(count, 2, device=device, generator=draws.generator)
    onto = torch.full((count, 2), WINDOW / 2, device=device)
    pivot = onto + (chance * (room + 1)).floor().clamp(max=room)
    zoom = torch.exp(bent * draws.uniform(-ZOOM, ZOOM))[:, None, None]
    controls = draws.normal(2, 7, 7) * strengths.bend * BODY_UNIT * bent[:, None, None, None]
    return Warp(
        proportions(draws, bent, strengths) * zoom, pivot, onto, bends(controls, (WINDOW, WINDOW))
    )


def moved_letters(letters: Tensor, ignore: Tensor, warp: Warp) -> tuple[Tensor, Tensor]:
    """`letters` (B, n, 11) and `ignore` (B, m, 4), as `fit.tiles.Tile` has them and padded, in the
    result of `warp`: (B, n, 11), and (B, m + n, 4), for cut letters join the ignored."""
    height, width = warp.size
    real = letters[:, :, 6] >= 0
    anchor = letters[:, :, :2]
    boxes = torch.cat([anchor - letters[:, :, 2:4], anchor + letters[:, :, 4:6]], dim=2)
    placed = moved_boxes(boxes, warp)
    spot = warp.move(anchor)
    limit = torch.tensor([width, height, width, height], device=letters.device)
    seen = torch.minimum(placed.clamp(min=0), limit)
    share = _area(seen) / _area(placed).clamp(min=1e-3)
    inside = ((spot >= 0) & (spot < limit[:2])).all(dim=2)
    kept = real & inside & (share >= LEAST_SHOWN)
    out = letters.clone()
    out[:, :, :2] = spot
    out[:, :, 2:4] = spot - placed[:, :, :2]
    out[:, :, 4:6] = placed[:, :, 2:] - spot
    out[:, :, 8] = _body_height(anchor, letters, warp)
    out = torch.where(kept[:, :, None], out, -torch.ones_like(out))
    cut = torch.where((real & ~kept)[:, :, None], seen, torch.zeros_like(seen))
    some = _area(ignore) > 0
    left_out = torch.minimum(moved_boxes(ignore, warp).clamp(min=0), limit)
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

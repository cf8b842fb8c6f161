"""From padded lists of letters to the locator's dense targets, on the training device."""

from __future__ import annotations

import torch
from torch import Tensor

from crownlet.models.locator import STRIDE, UNIT
from crownlet.models.losses import LocatorTargets

REACH = 3
"""Cells around an anchor that its heat is painted into."""


def locator_targets(letters: Tensor, ignore: Tensor, side: int) -> LocatorTargets:
    """Targets of B tiles of `side` px.

    `letters` is (B, n, 11) as in `train.tiles.Tile`, padded with -1; `ignore` (B, m, 4) boxes in
    px, padded with zeros.
    """
    cells = side // STRIDE
    real = letters[:, :, 6] >= 0
    anchor = letters[:, :, :2] / STRIDE
    cell = anchor.floor().long().clamp(0, cells - 1)
    heat = _heat(letters, cell, anchor, real, cells)
    keep = 1.0 - _covered(ignore / STRIDE, cells)
    # An anchor inside another letter's ignored box is still asked for.
    keep = torch.maximum(keep, (heat > 0.6).to(keep.dtype))
    batch, row = real.nonzero(as_tuple=True)
    chosen_cells = torch.stack([batch, cell[batch, row, 1], cell[batch, row, 0]], dim=1)
    chosen = letters[batch, row]
    centre = (cell[batch, row] + 0.5) * STRIDE
    offset = (chosen[:, :2] - centre) / UNIT
    return LocatorTargets(
        heat=heat,
        keep=keep,
        cells=chosen_cells,
        letter=chosen[:, 6].long(),
        other=chosen[:, 9].long(),
        share=chosen[:, 10],
        turn=chosen[:, 7].long(),
        shape=torch.cat([offset, chosen[:, 2:6] / UNIT], dim=1),
        scale=torch.log(chosen[:, 8] / UNIT),
    )


def _heat(letters: Tensor, cell: Tensor, anchor: Tensor, real: Tensor, cells: int) -> Tensor:
    """(B, cells, cells): exactly 1 in the anchor's cell, a bell about it, widths by body height."""
    steps = torch.arange(-REACH, REACH + 1, device=letters.device)
    sigma = (letters[:, :, 8].clamp(min=4.0) / UNIT * 0.8)[:, :, None]
    near = [cell[:, :, k, None] + steps for k in (0, 1)]
    bell = [
        torch.exp(-((near[k] + 0.5 - anchor[:, :, k, None]) ** 2) / (2 * sigma**2)) for k in (0, 1)
    ]
    value = bell[1][:, :, :, None] * bell[0][:, :, None, :] * 0.98
    value[:, :, REACH, REACH] = 1.0
    inside = [(n >= 0) & (n < cells) for n in near]
    value = value * inside[1][:, :, :, None] * inside[0][:, :, None, :] * real[:, :, None, None]
    place = near[1].clamp(0, cells - 1)[:, :, :, None] * cells
    place = place + near[0].clamp(0, cells - 1)[:, :, None, :]
    flat = torch.zeros(letters.shape[0], cells * cells, device=letters.device, dtype=value.dtype)
    flat.scatter_reduce_(1, place.flatten(1), value.flatten(1), reduce="amax")
    return flat.view(-1, cells, cells)


def _covered(boxes: Tensor, cells: int) -> Tensor:
    """(B, cells, cells): 1 where a cell's centre lies in one of the (B, m, 4) boxes."""
    centres = torch.arange(cells, device=boxes.device) + 0.5
    across = (centres >= boxes[:, :, 0:1]) & (centres < boxes[:, :, 2:3])
    down = (centres >= boxes[:, :, 1:2]) & (centres < boxes[:, :, 3:4])
    return (down[:, :, :, None] & across[:, :, None, :]).any(dim=1).to(torch.float32)

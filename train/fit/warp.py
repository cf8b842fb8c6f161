"""Changes of place: pictures stretched, sheared, turned a little and bent, with their boxes.

Places are in px, a pixel's centre at half: the pixel in column 0 and row 0 has its centre at
(0.5, 0.5).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import torch
import torch.nn.functional as F
from torch import Tensor

INK_OCTAGON = ((0.2, 0.0), (0.8, 0.0), (1.0, 0.2), (1.0, 0.8), (0.8, 1.0), (0.2, 1.0), (0.0, 0.8),
           (0.0, 0.2))  # fmt: skip
"""Corners, as shares of a box, of the figure that stands for a letter's ink: ink rarely reaches
into all four corners of its box."""


def affine_matrices(across: Tensor, down: Tensor, shear: Tensor, angle: Tensor) -> Tensor:
    """(N, 2, 2) that scale by `across` and `down`, shear (x grows by `shear` a px of y), then turn
    clockwise by `angle` in radians; all (N,)."""
    zero = torch.zeros_like(across)
    scaled = torch.stack([across, shear * down, zero, down], dim=1).view(-1, 2, 2)
    c, s = torch.cos(angle), torch.sin(angle)
    return torch.stack([c, -s, s, c], dim=1).view(-1, 2, 2) @ scaled


def invert_matrices(matrix: Tensor) -> Tensor:
    """(..., 2, 2), the inverses of `matrix`."""
    (a, b), (c, d) = (row.unbind(-1) for row in matrix.unbind(-2))
    rows = torch.stack([torch.stack([d, -b], -1), torch.stack([-c, a], -1)], -2)
    return rows / (a * d - b * c)[..., None, None]


def _apply_matrix(matrix: Tensor, places: Tensor) -> Tensor:
    """`matrix` (..., 2, 2) times `places` (..., 2), in full precision: matrix products on a GPU may
    be rounded to ten bits, a tenth of a px here."""
    return matrix[..., 0] * places[..., :1] + matrix[..., 1] * places[..., 1:]


@dataclass(frozen=True)
class Warp:
    """What takes N source pictures to N pictures of `size` (height, width).

    `matrix` (N, 2, 2) acts about `pivot` (N, 2), a place of the source, which lands at `onto`
    (N, 2) of the result; `bend` (N, 2, height, width) is added to where each pixel of the result
    comes from (x, y), in px of the source.
    """

    matrix: Tensor
    pivot: Tensor
    onto: Tensor
    bend: Tensor

    @property
    def size(self) -> tuple[int, int]:
        """Height and width of the result."""
        return self.bend.shape[2], self.bend.shape[3]

    @cached_property
    def sources(self) -> Tensor:
        """(N, height, width, 2): the place in the source of each pixel of the result."""
        height, width = self.size
        device = self.matrix.device
        y, x = torch.meshgrid(
            torch.arange(height, device=device) + 0.5, torch.arange(width, device=device) + 0.5,
            indexing="ij",
        )  # fmt: skip
        places = torch.stack([x, y], dim=-1)[None] - self.onto[:, None, None]
        turned = _apply_matrix(invert_matrices(self.matrix)[:, None, None], places)
        return turned + self.pivot[:, None, None] + self.bend.permute(0, 2, 3, 1)

    def move(self, points: Tensor) -> Tensor:
        """Where the places `points` (N, n, 2) of the source land in the result.

        `sources` is inverted by repeated correction; bends are mild, so a few are enough.
        """
        height, width = self.size
        unit = torch.tensor([2.0 / width, 2.0 / height], device=points.device)
        straight = _apply_matrix(self.matrix[:, None], points - self.pivot[:, None])
        out = straight + self.onto[:, None]
        for _ in range(6):
            spots = (out * unit - 1)[:, :, None]
            bent = F.grid_sample(self.bend, spots, padding_mode="border", align_corners=False)
            off = _apply_matrix(self.matrix[:, None], bent[..., 0].transpose(1, 2))
            out = straight + self.onto[:, None] - off
        return out


def apply_warp(
    pictures: Tensor, warp: Warp, fill: float, source: tuple[int, int], mode: str = "bilinear"
) -> Tensor:
    """`pictures` (N, C, h, w) warped, at the same number of px of the result for each of theirs.

    `source` (height, width) is the size of the source pictures that `warp` refers to: maps may be
    coarser than these (part masks are, by 4). Beyond the source everything is `fill`; `mode` as in
    torch's `grid_sample`.
    """
    coarse = source[0] // pictures.shape[2]
    places = warp.sources
    if coarse > 1:
        places = F.avg_pool2d(places.permute(0, 3, 1, 2), coarse).permute(0, 2, 3, 1)
    unit = torch.tensor([2.0 / source[1], 2.0 / source[0]], device=pictures.device)
    shown = F.grid_sample(pictures - fill, places * unit - 1, mode, align_corners=False)
    return shown + fill


def smooth_bends(controls: Tensor, size: tuple[int, int]) -> Tensor:
    """(N, 2, height, width) smooth bends through `controls` (N, 2, rows, columns), in px."""
    return interpolate_grid(controls, size)


def interpolate_grid(values: Tensor, size: tuple[int, int]) -> Tensor:
    """(N, C, height, width): `values` (N, C, rows, columns) interpolated bicubically, corners on
    corners.

    As two matrix products, since torch's own kernel takes several ms for a batch on a GPU.
    """
    down, across = (
        _interpolation_matrix(count, length, values.device)
        for count, length in zip(values.shape[2:], size, strict=True)
    )
    return down @ values @ across.T


@lru_cache(maxsize=64)
def _interpolation_matrix(count: int, length: int, device: torch.device) -> Tensor:
    """(length, count): weights of `count` values in each of `length` between them."""
    units = torch.eye(count, device=device)[:, None, None]
    rows = F.interpolate(units, size=(1, length), mode="bicubic", align_corners=True)
    return rows[:, 0, 0].T.contiguous()


def move_boxes(boxes: Tensor, warp: Warp) -> Tensor:
    """(N, n, 4) boxes x0, y0, x1, y1 around where the ink in `boxes` (N, n, 4) lands."""
    shares = torch.tensor(INK_OCTAGON, device=boxes.device)
    size = boxes[:, :, 2:] - boxes[:, :, :2]
    points = boxes[:, :, None, :2] + size[:, :, None] * shares
    placed = warp.move(points.flatten(1, 2)).view(points.shape)
    return torch.cat([placed.amin(dim=2), placed.amax(dim=2)], dim=2)

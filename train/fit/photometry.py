"""Changes to how writing looks: strokes, ink, focus, resolution, compression, light.

Every function takes (N, 1, H, W) grey pictures in 0..1, dark ink on light skin as
`infer.image.flatten` leaves them, and strengths (N,), one a picture; a strength of 0 changes
nothing. They run on any device and are for training only.
"""

from __future__ import annotations

import math

import torch
import torch.nn.functional as F
from torch import Tensor

from crownlet.infer.image.upright import INK_GREY, SKIN_GREY
from crownlet.train.fit.warp import interpolate_grid

SKIN_LEVEL, INK_LEVEL = SKIN_GREY / 255, INK_GREY / 255

GRAIN_LEVEL = 0.15


LUMINANCE_TABLE = (
    (16, 11, 10, 16, 24, 40, 51, 61), (12, 12, 14, 19, 26, 58, 60, 55),
    (14, 13, 16, 24, 40, 57, 69, 56), (14, 17, 22, 29, 51, 87, 80, 62),
    (18, 22, 37, 56, 68, 109, 103, 77), (24, 35, 55, 64, 81, 104, 113, 92),
    (49, 64, 78, 87, 103, 121, 120, 101), (72, 92, 95, 98, 112, 100, 103, 99),
)  # fmt: skip
"""Example quantisation of luminance, ITU-T T.81 (JPEG), table K.1; quality 50."""


def _column(values: Tensor) -> Tensor:
    return values[:, None, None, None]


def _dilate(values: Tensor, kernel: tuple[int, int]) -> Tensor:
    """Largest value in a window of odd `kernel` (rows, columns) px.

    One px to each side at a time, and one direction after the other: on a processor thirty times
    as quick as pooling.
    """
    for axis, length in zip((2, 3), kernel, strict=True):
        for _ in range(length // 2):
            grown = values.clone()
            inner = grown.narrow(axis, 1, values.shape[axis] - 1)
            torch.maximum(inner, values.narrow(axis, 0, values.shape[axis] - 1), out=inner)
            inner = grown.narrow(axis, 0, values.shape[axis] - 1)
            torch.maximum(inner, values.narrow(axis, 1, values.shape[axis] - 1), out=inner)
            values = grown
    return values


def _erode(values: Tensor, kernel: tuple[int, int]) -> Tensor:
    return -_dilate(-values, kernel)


def keep_fine_features(images: Tensor, changed: Tensor, reach: int) -> Tensor:
    """`changed` pictures with the hairlines and narrow gaps of `images` mostly kept.

    Hairline and gap are what a window of `reach` px does not fit into (top-hat transforms, Serra
    1982). A mem without its left hairline, or a he whose gap has closed, would be another letter.
    """
    window = (reach, reach)
    hairline = _dilate(_erode(-images, window), window) + images
    gap = images + _erode(_dilate(-images, window), window)
    # `hairline` is at most 0 where ink is thin, `gap` at least 0 where skin is.
    # Differences of less than FAINT are grain.
    kept = torch.where(
        hairline < -GRAIN_LEVEL, torch.minimum(changed, SKIN_LEVEL + 0.8 * hairline), changed
    )
    return torch.where(gap > GRAIN_LEVEL, torch.maximum(kept, INK_LEVEL + 0.8 * gap), kept)


def thicken(images: Tensor, across: Tensor, down: Tensor, reach: int = 5) -> Tensor:
    """Strokes thicker by 2 px for each unit of `across` (to the sides) and of `down`; negative
    strengths, to -3, thin them. Hairlines and gaps of less than `reach` px stay in part."""
    out = images
    for strength, kernel in ((across, (1, 3)), (down, (3, 1))):
        thick = thin = out
        for step in range(3):
            more, less = _erode(thick, kernel), _dilate(thin, kernel)
            out = out + _column((strength - step).clamp(0, 1)) * (more - thick)
            out = out + _column((-strength - step).clamp(0, 1)) * (less - thin)
            thick, thin = more, less
    kept = keep_fine_features(images, out, reach)
    any_change = _column(((across.abs() + down.abs()) * 4).clamp(0, 1))
    return out + any_change * (kept - out)


def round_outlines(images: Tensor, sigma: Tensor, below: float | None, reach: int = 5) -> Tensor:
    """Outlines smoothed at about `sigma` px, as ink that ran, or a pen that turned its corners.

    Only below the row `below`, if it is given: tags above the ruled line stay as they are.
    """
    soft = blur(images, sigma, sigma, torch.zeros_like(sigma))
    middle = (SKIN_LEVEL + INK_LEVEL) / 2
    sharp = (middle + 3.0 * (soft - middle)).clamp(INK_LEVEL, SKIN_LEVEL)
    sharp = keep_fine_features(images, sharp, reach)
    share = _column((sigma * 2).clamp(0, 1))
    if below is not None:
        rows = torch.arange(images.shape[2], device=images.device, dtype=images.dtype)
        share = share * ((rows - below) / 4 + 0.5).clamp(0, 1)[:, None]
    return images + share * (sharp - images)


def blur(images: Tensor, along: Tensor, across: Tensor, angle: Tensor) -> Tensor:
    """Gaussian blur of `along` px in the direction `angle` (radians from x) and `across` px
    across it: out of focus where they are equal, shaken where they differ. At most about 4 px."""
    reach = 7
    steps = torch.arange(-reach, reach + 1, device=images.device, dtype=torch.float32)
    y, x = torch.meshgrid(steps, steps, indexing="ij")
    c, s = torch.cos(angle)[:, None, None], torch.sin(angle)[:, None, None]
    u, v = c * x + s * y, c * y - s * x
    widths = [strength.clamp(min=0.05)[:, None, None] for strength in (along, across)]
    kernel = torch.exp(-0.5 * ((u / widths[0]) ** 2 + (v / widths[1]) ** 2))
    kernel = (kernel / kernel.sum(dim=(1, 2), keepdim=True))[:, None]
    padded = F.pad(images, (reach,) * 4, mode="replicate").transpose(0, 1)
    return F.conv2d(padded, kernel, groups=len(images)).transpose(0, 1)


def _resampling_matrix(length: int, step: Tensor, phase: Tensor) -> Tensor:
    """(N, length, length): averaging over cells of `step` px, then interpolation between them."""
    cells = torch.arange(length + 1, device=step.device)[None, :, None]
    pixels = torch.arange(length, device=step.device)
    step, phase = step[:, None, None], phase[:, None, None]
    start = (cells - phase) * step
    overlap = torch.minimum(start + step, pixels + 1.0) - torch.maximum(start, pixels * 1.0)
    average = overlap.clamp(min=0)
    weight = average.sum(dim=2, keepdim=True)
    average = average / weight.clamp(min=1e-6)
    middle = (start + step / 2).transpose(1, 2)
    between = (1 - (pixels[None, :, None] + 0.5 - middle).abs() / step).clamp(min=0)
    between = between * (weight > 1e-3).transpose(1, 2)
    return between / between.sum(dim=2, keepdim=True) @ average


def lower_resolution(images: Tensor, step: Tensor, phase: Tensor) -> Tensor:
    """Passed through a resolution of one pixel for each `step` px (1 or more), and back.

    `phase` in 0..1 sets where the coarse grid begins; with step 1 and phase 0 nothing changes.
    """
    down = _resampling_matrix(images.shape[2], step, phase)
    across = _resampling_matrix(images.shape[3], step, phase)
    return (down @ images[:, 0] @ across.transpose(1, 2))[:, None]


def compress(images: Tensor, coarseness: Tensor) -> Tensor:
    """The losses of JPEG: 8 by 8 blocks whose cosine coefficients are rounded to multiples of
    `coarseness` times the standard's table (1 is quality 50, 2 is 25). Sides must divide by 8."""
    n, _, height, width = images.shape
    k = torch.arange(8, device=images.device, dtype=torch.float32)
    cosines = torch.cos((2 * k + 1)[None] * k[:, None] * math.pi / 16) / 2
    cosines[0] /= math.sqrt(2)
    table = torch.tensor(LUMINANCE_TABLE, device=images.device, dtype=torch.float32)
    steps = table * coarseness.clamp(min=1e-3)[:, None, None, None, None]
    blocks = (images * 255 - 128).view(n, height // 8, 8, width // 8, 8).transpose(2, 3)
    levels = cosines @ blocks @ cosines.T
    rebuilt = cosines.T @ ((levels / steps).round() * steps) @ cosines
    out = (rebuilt.transpose(2, 3).reshape(n, 1, height, width) + 128) / 255
    return torch.where(_column(coarseness > 0), out, images)


def fade_ink(images: Tensor, loss: Tensor, uneven: Tensor, clouds: Tensor) -> Tensor:
    """Ink that lost the share `loss` of its darkness, unevenly where `clouds` (N, 1, h, w) of
    normal draws say, by `uneven` at one standard deviation."""
    share = (
        1
        - _column(loss)
        + _column(uneven) * interpolate_grid(clouds, (images.shape[2], images.shape[3]))
    )
    return SKIN_LEVEL - (SKIN_LEVEL - images) * share.clamp(0.15, 1.15)


def add_grain(images: Tensor, grain: Tensor, fine: Tensor, size: Tensor) -> Tensor:
    """Noise with a standard deviation of `grain`; `fine` are normal draws like the picture, `size`
    in 0..1 mixes in spots of about 3 px."""
    spots = F.avg_pool2d(fine, 3, 1, 1) * 3
    return images + _column(grain) * ((1 - _column(size)) * fine + _column(size) * spots)


def light_unevenly(images: Tensor, strength: Tensor, clouds: Tensor) -> Tensor:
    """Uneven light: brighter and darker by `strength` at one standard deviation of `clouds`."""
    return images * (
        1 + _column(strength) * interpolate_grid(clouds, (images.shape[2], images.shape[3]))
    )


def vary_light(images: Tensor, strength: float = 1.0) -> Tensor:
    """Contrast, ink weight, blur and grain of (N, 1, H, W) grey pictures in 0..1; same shape.

    `strength` 0 changes nothing, 1 is the default; nothing here moves a letter or closes a gap of
    more than about a pixel, so that every label stays true.
    """
    if strength <= 0:
        return images
    gain = 1 + strength * _uniform(images, -0.15, 0.15)
    bias = strength * _uniform(images, -0.06, 0.06)
    bent = images.clamp(1e-3, 1) ** torch.exp(strength * _uniform(images, -0.25, 0.25))
    out = bent * gain + bias
    soft = F.avg_pool2d(F.pad(out, (1, 1, 1, 1), mode="replicate"), 3, stride=1)
    mix = (_uniform(images, -1.0, 0.7) * strength).clamp(min=0)
    out = out + mix * (soft - out)
    grain = torch.randn_like(out) * (_uniform(images, -0.03, 0.05).clamp(min=0) * strength)
    shade = torch.randn(images.shape[0], 1, 4, 4, device=images.device) * 0.02 * strength
    shade = F.interpolate(shade, size=images.shape[2:], mode="bilinear", align_corners=False)
    return (out + grain + shade).clamp(0, 1)


def _uniform(images: Tensor, low: float, high: float) -> Tensor:
    """One draw an image, shaped (N, 1, 1, 1)."""
    return torch.empty(images.shape[0], 1, 1, 1, device=images.device).uniform_(low, high)

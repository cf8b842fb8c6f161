"""A picture taken of a surface on the training device: light, exposure, focus, noise, compression.

Greys are shares of the bare skin's; shares and sizes of what is drawn are those of
`datasets.render.page.light` and `datasets.render.page.camera`, in px of the picture as it is cut.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
import torch.nn.functional as F
from torch import Tensor

from crownlet.infer.image.crops import CROP_BODY_PX
from crownlet.train.fit import photometry
from crownlet.train.fit.draws import Draws
from crownlet.train.fit.warp import interpolate_grid

BODIES_PX = (28.0, 96.0)
"""Heights of bodies at which pages are photographed (`PageSpec.body`)."""

COARSE_BODIES_PX = (17.0, 40.0)
"""Heights that one picture in five is passed through (`fit.crops`)."""

MIN_BODY_PX = 15.0
"""Of pictures that were enlarged."""

GRAIN_SHARE = 0.85
"""Of the sensor's noise, what is left by the grain of several px that it is drawn with."""

SHARPEST_PX = 0.35
"""Standard deviation of the blur of a sharp picture with bodies of 48 px."""


@dataclass(frozen=True)
class Surface:
    """What N pictures are taken of; greys are shares of the bare skin's light."""

    writing: Tensor
    """(N, 1, H, W)."""
    tone: Tensor | None
    """(N, 1, H, W) of the skin about 1; None of a scan, which has its own."""
    inside: Tensor
    """(N, 1, H, W): 1 on the page, 0 beyond it."""
    dark: Tensor
    """(N,) of the ink."""
    skin: Tensor
    """(N,) grey of the skin in fair light, 0 to 255."""
    unit: Tensor
    """(N,) px to one of a body of 48 px."""
    by_camera: Tensor
    """(N,) 1 or 0."""
    poor: float
    """Share of the pictures that are passed through a coarse resolution, and back."""


def _column(values: Tensor) -> Tensor:
    return values[:, None, None, None]


def take_picture(surface: Surface, draws: Draws) -> tuple[Tensor, Tensor]:
    """(N, 1, H, W) pictures as shares of their own skin's grey, and (N,) the share that their
    darkest ink has."""
    if surface.tone is None:
        return _retake(surface, draws), surface.dark
    uniform, sometimes = draws.uniform, draws.sometimes
    by_camera = surface.by_camera
    softer = 0.3 + 0.7 * by_camera
    light = _mirror_lamp(surface.tone * surface.writing, by_camera, draws)
    # Exposure leaves bare skin below the brightest grey; stray light lifts all greys.
    level = surface.skin * torch.exp((0.35 * draws.normal() - 0.12) * softer)
    level = torch.minimum(level.clamp(min=82.0), uniform(190.0, 250.0))
    lift = softer * uniform(3.0, 28.0)
    level = level * (1 - lift / 255)
    gamma = torch.exp(0.15 * softer * draws.normal())

    def expose(shares: Tensor, shape: tuple[int, ...]) -> Tensor:
        greys = (shares * level.view(shape) + lift.view(shape)) / 255
        return greys.clamp(1e-3, 1) ** gamma.view(shape)

    picture = expose(light, (-1, 1, 1, 1))
    ground, dark = expose(torch.ones_like(level), (-1,)), expose(surface.dark, (-1,))
    body = torch.exp(uniform(math.log(BODIES_PX[0]), math.log(BODIES_PX[1])))
    picture = _focus(picture, body, surface, draws)
    noise = _noise(level, by_camera, draws)
    step = CROP_BODY_PX * surface.unit / body
    # The sensor's px are averaged where the picture is shrunk, and by the coarse grid where not.
    grain = noise * step * GRAIN_SHARE
    picture = photometry.add_grain(
        picture, grain / 255, draws.own(1, *picture.shape[2:]), uniform(0.0, 0.7)
    )
    sharpened = sometimes(0.15) * uniform(0.3, 1.2) * (1 - 0.6 * by_camera)
    soft = F.avg_pool2d(F.pad(picture, (1, 1, 1, 1), mode="replicate"), 3, 1)
    picture = (picture + _column(sharpened) * (picture - soft)).clamp(0, 1)
    picture = _compress(picture, step.clamp(max=1.0), by_camera, draws)
    picture = _coarsen(picture, step, body, surface, draws)
    return picture / _column(ground), (dark / ground).clamp(min=0.0)


def _retake(surface: Surface, draws: Draws) -> Tensor:
    """A picture of a scan: a little other contrast, focus, grain and resolution."""
    picture = surface.writing.clamp(min=1e-3) ** _column(torch.exp(0.15 * draws.normal()))
    blur = draws.sometimes(0.5) * draws.uniform(0.0, 0.9) * surface.unit
    picture = photometry.blur(picture, blur, blur, blur * 0)
    grain = draws.sometimes(0.5) * draws.uniform(0.0, 0.03)
    own = draws.own(1, *picture.shape[2:])
    picture = photometry.add_grain(picture, grain, own, draws.uniform(0.0, 1.0))
    body = CROP_BODY_PX + 0 * blur
    return _coarsen(picture, surface.unit, body, surface, draws)


def _mirror_lamp(light: Tensor, by_camera: Tensor, draws: Draws) -> Tensor:
    """Ink pales where the lamp is mirrored; the skin's light is evened afterwards."""
    here = draws.sometimes(0.25) * (0.16 + 0.84 * by_camera)
    clouds = interpolate_grid(draws.own(1, 3, 3), (light.shape[2], light.shape[3]))
    mirrored = _column(here * draws.uniform(0.0, 0.6)) * clouds.clamp(0, 1)
    return (light * (1 - mirrored) + 1.2 * mirrored) / (1 + 0.2 * mirrored)


def _focus(picture: Tensor, body: Tensor, surface: Surface, draws: Draws) -> Tensor:
    """Out of focus by up to a sixth of a pen, small letters an eighth; shaken."""
    q = body / 3
    widest = torch.where(q >= 8.0, 0.17, 0.12) * (0.5 + 0.5 * surface.by_camera)
    pen = CROP_BODY_PX / 3 * surface.unit
    blur = 0.9 * draws.sometimes(0.75) * widest * draws.uniform(0.0, 1.0) ** 2 * pen
    shaken = surface.by_camera * draws.sometimes(0.2)
    length = torch.maximum(2.0 / q, 2 * widest * draws.uniform(0.0, 1.0)) * pen
    # No lens is sharper than this, once a picture was resampled.
    blur = (blur**2 + (SHARPEST_PX * surface.unit**2) ** 2).sqrt()
    along = (blur**2 + shaken * length**2 / 12).sqrt()
    return photometry.blur(picture, along, blur, draws.uniform(0.0, math.pi))


def _noise(level: Tensor, by_camera: Tensor, draws: Draws) -> Tensor:
    """(N,) standard deviations of the sensor's noise in greys."""
    most = (4 + 5 * by_camera) * (0.35 + 0.65 * level / 255)
    least = 0.2 + 1.4 * by_camera
    there = draws.sometimes(0.91) * by_camera + draws.sometimes(0.6) * (1 - by_camera)
    return there * (least + most * draws.uniform(0.0, 1.0) ** 1.5)


def _compress(picture: Tensor, share: Tensor, by_camera: Tensor, draws: Draws) -> Tensor:
    """JPEG at the quality of a picture that was sent on, its blocks anywhere; `share` of its losses
    is left where the picture is shrunk."""
    least = 60 - 35 * by_camera
    quality = least + (97 - least) * draws.uniform(0.0, 1.0) ** 0.4
    quality = torch.where(draws.sometimes(0.4) > 0, draws.uniform(90.0, 98.0), quality)
    factor = torch.where(quality < 50, 50 / quality, 2 - quality / 50)
    there = torch.maximum(draws.sometimes(0.3), by_camera * draws.sometimes(0.82))
    height, width = picture.shape[2:]
    chance = torch.rand(2, len(share), device=share.device, generator=draws.generator)
    wide = F.pad(picture, (8, 8, 8, 8), mode="replicate")
    row, column = (
        (chance[k] * 8).long()[:, None] + torch.arange(size + 8, device=share.device)
        for k, size in ((0, height), (1, width))
    )
    which = torch.arange(len(share), device=share.device)[:, None, None]
    shifted = wide[which, 0, row[:, :, None], column[:, None, :]][:, None]
    coded = photometry.compress(shifted, there * factor * share)
    back = [8 - (chance[k] * 8).long()[:, None] for k in (0, 1)]
    row = back[0] + torch.arange(height, device=share.device)
    column = back[1] + torch.arange(width, device=share.device)
    return coded[which, 0, row[:, :, None], column[:, None, :]][:, None]


def _coarsen(picture: Tensor, step: Tensor, body: Tensor, surface: Surface, draws: Draws) -> Tensor:
    """Through the px of the picture as it was taken, or of a poorer one."""
    pen = CROP_BODY_PX * surface.unit
    enlarged = surface.by_camera * draws.sometimes(0.06)
    far = pen / torch.maximum(body * draws.uniform(0.3, 0.9), body * 0 + MIN_BODY_PX)
    poor = pen / draws.uniform(*COARSE_BODIES_PX)
    step = torch.maximum(step, enlarged * far)
    step = torch.maximum(step, draws.sometimes(surface.poor) * poor).clamp(min=1.0)
    phase = torch.rand(len(step), device=step.device, generator=draws.generator)
    return photometry.lower_resolution(picture, step, phase * (step > 1))

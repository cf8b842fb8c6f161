"""Light changes made on the training device, so that no page is shown twice alike."""

from __future__ import annotations

import torch
import torch.nn.functional as F
from torch import Tensor


def _uniform(images: Tensor, low: float, high: float) -> Tensor:
    """One draw an image, shaped (B, 1, 1, 1)."""
    return torch.empty(images.shape[0], 1, 1, 1, device=images.device).uniform_(low, high)


def light(images: Tensor, strength: float = 1.0) -> Tensor:
    """Contrast, ink weight, blur and grain of (B, 1, H, W) grey pictures in 0..1; same shape.

    `strength` 0 changes nothing, 1 is the default; nothing here moves a letter or closes a gap of
    more than about a pixel.
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

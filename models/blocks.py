"""Building blocks of both networks: plain 3x3 convolutions, quick on ordinary processors."""

from __future__ import annotations

import torch
from torch import Tensor, nn
from torchvision.ops import Conv2dNormActivation


def conv_norm_relu(inputs: int, outputs: int, stride: int = 1, kernel: int = 3) -> nn.Module:
    """Convolution, batch norm, ReLU; (B, inputs, H, W) -> (B, outputs, H / stride, W / stride)."""
    block: nn.Module = Conv2dNormActivation(inputs, outputs, kernel_size=kernel, stride=stride)
    return block


class Residual(nn.Module):
    """Two 3x3 convolutions around a shortcut; the shape stays (B, channels, H, W)."""

    def __init__(self, channels: int) -> None:
        super().__init__()
        last = nn.BatchNorm2d(channels)
        # Starting each block as the identity steadies the first steps (Goyal et al. 2017).
        nn.init.zeros_(last.weight)
        plain = nn.Conv2d(channels, channels, 3, padding=1, bias=False)
        self.body = nn.Sequential(conv_norm_relu(channels, channels), plain, last)

    def forward(self, x: Tensor) -> Tensor:
        """(B, C, H, W) -> (B, C, H, W)."""
        return torch.relu(x + self.body(x))


def downsampling_stage(inputs: int, outputs: int, blocks: int, stride: int = 2) -> nn.Sequential:
    """A convolution that changes width and resolution, then `blocks` residual blocks."""
    return nn.Sequential(
        conv_norm_relu(inputs, outputs, stride), *[Residual(outputs) for _ in range(blocks)]
    )


class UpsampleAndAdd(nn.Module):
    """Bring coarse features up to a finer stride and add them to the features there."""

    def __init__(self, coarse: int, fine: int, outputs: int) -> None:
        super().__init__()
        self.coarse = conv_norm_relu(coarse, outputs, kernel=1)
        self.fine = conv_norm_relu(fine, outputs, kernel=1)
        self.mix = Residual(outputs)

    def forward(self, coarse: Tensor, fine: Tensor) -> Tensor:
        """(B, coarse, h, w) and (B, fine, 2h, 2w) -> (B, outputs, 2h, 2w)."""
        up = nn.functional.interpolate(self.coarse(coarse), scale_factor=2.0, mode="nearest")
        mixed: Tensor = self.mix(up + self.fine(fine))
        return mixed

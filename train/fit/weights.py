"""Weights in and out: safetensors, never pickles."""

from __future__ import annotations

import json
from pathlib import Path

import torch
import torch.nn.functional as F
from safetensors import safe_open
from safetensors.torch import load_file, save_file
from torch import Tensor, nn

from crownlet.datasets.scribal.catalogue import LEARNED_DEFECTS

HEAD = ("defects.weight", "defects.bias")
"""Parameters of the assessor with a row for each learned defect."""


def save_weights(network: nn.Module, path: Path, facts: dict[str, object]) -> None:
    """Write a network's parameters and buffers with `facts` as metadata, in one step.

    The names of the learned defects go with them, since each has rows of its own.
    """
    tensors = {
        key: value.detach().cpu().contiguous().clone()
        for key, value in network.state_dict().items()
    }
    facts = {"defects": list(LEARNED_DEFECTS), **facts}
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_suffix(".tmp")
    save_file(tensors, temporary, {"facts": json.dumps(facts)})
    temporary.replace(path)


def load_weights(network: nn.Module, path: Path) -> dict[str, object]:
    """Fill a network from `path` and return the facts stored beside; ValueError if it differs.

    Rows of defects are found by name: those that the file lacks stay as the network has them.
    """
    facts = facts_of(path)
    tensors = load_file(path)
    names = facts.get("defects")
    if isinstance(names, list) and names != list(LEARNED_DEFECTS):
        _realign(tensors, network.state_dict(), names)
    problems = network.load_state_dict(tensors, strict=False)
    if problems.missing_keys or problems.unexpected_keys:
        raise ValueError(
            f"{path} does not fit this network: missing {problems.missing_keys[:3]}, "
            f"unexpected {problems.unexpected_keys[:3]}"
        )
    return facts


def facts_of(path: Path) -> dict[str, object]:
    """The facts stored beside the weights in `path`."""
    with safe_open(path, framework="pt") as file:
        facts: dict[str, object] = json.loads((file.metadata() or {}).get("facts", "{}"))
    return facts


def _realign(tensors: dict[str, Tensor], own: dict[str, Tensor], names: list[str]) -> None:
    """Bring the rows of defects stored under `names` into the catalogue's present order."""
    pairs = [(k, names.index(name)) for k, name in enumerate(LEARNED_DEFECTS) if name in names]
    here = torch.tensor([k for k, _ in pairs], dtype=torch.long)
    there = torch.tensor([k for _, k in pairs], dtype=torch.long)
    for key in HEAD:
        if key in tensors and key in own:
            rows = own[key].clone()
            rows[here] = tensors[key][there]
            tensors[key] = rows


HEADS = {
    "Assessor": ("hidden", "letter", "defects", "tags"),
    "Locator": ("shared", "centre", "letter", "turn", "shape", "scale"),
}
"""What still learns with the trunk frozen. Part masks are never labelled on scans: they stay."""


def freeze(network: nn.Module, what: str) -> tuple[nn.Module, ...]:
    """Stop the gradients of `what` (none or trunk); the frozen children, to be kept in eval mode.

    ValueError for anything else.
    """
    if what == "none":
        return ()
    if what != "trunk":
        raise ValueError(f"nothing is called {what!r} that could be frozen: none or trunk")
    heads = HEADS[type(network).__name__]
    frozen = tuple(child for name, child in network.named_children() if name not in heads)
    for child in frozen:
        child.requires_grad_(False)
    return frozen


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

"""Weights in and out: safetensors, never pickles."""

from __future__ import annotations

import json
from pathlib import Path

from safetensors import safe_open
from safetensors.torch import load_file, save_file
from torch import nn


def save_weights(network: nn.Module, path: Path, facts: dict[str, object]) -> None:
    """Write a network's parameters and buffers with `facts` as metadata, in one step."""
    tensors = {
        key: value.detach().cpu().contiguous().clone()
        for key, value in network.state_dict().items()
    }
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_suffix(".tmp")
    save_file(tensors, temporary, {"facts": json.dumps(facts)})
    temporary.replace(path)


def load_weights(network: nn.Module, path: Path) -> dict[str, object]:
    """Fill a network from `path` and return the facts stored beside; ValueError if it differs."""
    problems = network.load_state_dict(load_file(path), strict=False)
    if problems.missing_keys or problems.unexpected_keys:
        raise ValueError(
            f"{path} does not fit this network: missing {problems.missing_keys[:3]}, "
            f"unexpected {problems.unexpected_keys[:3]}"
        )
    with safe_open(path, framework="pt") as file:
        facts: dict[str, object] = json.loads((file.metadata() or {}).get("facts", "{}"))
    return facts

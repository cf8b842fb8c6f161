"""Begin a narrow network from a wide one: each layer keeps the channels that matter most.

Channels that are added to each other, across the shortcuts of residual blocks or where coarse
features meet fine ones, are kept or left together. Their importance is the L2 norm of all weights
that write or read them, batch norms folded in (Li et al. 2017, Pruning Filters for Efficient
ConvNets; groups after Fang et al. 2023, DepGraph).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import torch
from torch import Tensor, nn

from crownlet.models.assessor import Assessor
from crownlet.models.locator import Locator
from crownlet.train.fit.architecture import ArchitectureError, architecture_of_network
from crownlet.train.fit.weights import facts_of, open_assessor, open_locator

NORM_EPSILON = 1e-5
"""That of `torch.nn.BatchNorm2d`."""


class Layer(NamedTuple):
    """A convolution or linear layer, and the groups of channels that it writes and reads."""

    name: str
    norm: str | None
    """Its batch norm, if it has one."""
    writes: str | None
    """None where all outputs are kept, as of the heads."""
    reads: str | None
    """None where all inputs are kept, as of the picture."""
    repeats: int = 1
    """How often in a row the group stands among the inputs: means, then maxima."""


def load_wider(network: Assessor | Locator, path: Path) -> dict[str, object]:
    """Fill a network from `path`, whose layers may be wider; the facts stored beside.

    ArchitectureError if `path` holds another kind of network, or a layer that is narrower.
    """
    kind = architecture_of_network(network).name
    wide = open_assessor(path) if kind == "assessor" else open_locator(path)
    layers = list(_layers_of(wide))
    theirs, ours = wide.state_dict(), network.state_dict()
    kept: dict[str, Tensor] = {}
    for group in sorted({layer.writes for layer in layers if layer.writes}):
        score = _importance(group, layers, theirs)
        wanted = next(len(ours[f"{x.name}.weight"]) for x in layers if x.writes == group)
        if wanted > len(score):
            raise ArchitectureError(
                f"{path} does not fit this network: its {group} has {len(score)} channels, where"
                f" {wanted} are needed; a narrower network begins a wider one with grow=true"
            )
        kept[group] = score.topk(wanted).indices.sort().values
    for layer in layers:
        weight = theirs[f"{layer.name}.weight"]
        if layer.writes:
            weight = weight[kept[layer.writes]]
        if layer.reads:
            width = weight.shape[1] // layer.repeats
            starts = torch.arange(layer.repeats)[:, None] * width
            weight = weight[:, (starts + kept[layer.reads]).flatten()]
        own = ours[f"{layer.name}.weight"]
        if own.shape != weight.shape:
            raise ArchitectureError(
                f"{path} does not fit this network: {layer.name} has {len(weight)} outputs, all of"
                f" which are kept, where {len(own)} are needed"
            )
        own.copy_(weight)
        for key in _values_by_output(layer, theirs):
            value = theirs[key]
            ours[key].copy_(value[kept[layer.writes]] if layer.writes else value)
    return facts_of(path)


def _importance(group: str, layers: list[Layer], tensors: dict[str, Tensor]) -> Tensor:
    """(C,) L2 norm of what writes and reads each channel of a group."""
    total: Tensor | float = 0.0
    for layer in layers:
        squares = _folded(layer, tensors).square().sum(dim=2)
        if layer.writes == group:
            total = total + squares.sum(dim=1)
        if layer.reads == group:
            total = total + squares.sum(dim=0).unflatten(0, (layer.repeats, -1)).sum(dim=0)
    assert isinstance(total, Tensor)
    return total.sqrt()


def _folded(layer: Layer, tensors: dict[str, Tensor]) -> Tensor:
    """(out, in, taps) weights of a layer, with the scale of its batch norm."""
    weight = tensors[f"{layer.name}.weight"]
    weight = weight.reshape(*weight.shape[:2], -1)
    if layer.norm is None:
        return weight
    variance = tensors[f"{layer.norm}.running_var"]
    scale = tensors[f"{layer.norm}.weight"] / (variance + NORM_EPSILON).sqrt()
    return weight * scale[:, None, None]


def _values_by_output(layer: Layer, tensors: dict[str, Tensor]) -> Iterator[str]:
    """Names of what has a number for each output of a layer."""
    if f"{layer.name}.bias" in tensors:
        yield f"{layer.name}.bias"
    if layer.norm:
        yield from (
            f"{layer.norm}.{key}" for key in ("weight", "bias", "running_mean", "running_var")
        )


def _layers_of(network: nn.Module) -> Iterator[Layer]:
    """Every layer with weights, by the wiring of `crownlet.models`."""
    if isinstance(network, Assessor):
        yield from _stage("stem", None, "stem", len(network.stem))
        yield Layer("hidden.1", None, None, "coarse", repeats=2)
        yield from (Layer(head, None, None, None) for head in ("letter", "defects", "tags"))
        yield Layer("parts", None, None, "rise_fine")
    else:
        assert isinstance(network, Locator)
        yield Layer("stem.0", "stem.1", "stem", None)
        yield Layer("shared.0", "shared.1", "shared", "rise_fine")
        heads = ("centre", "letter", "turn", "shape", "scale")
        yield from (Layer(head, None, None, "shared") for head in heads)
    for below, stage in (("stem", "fine"), ("fine", "middle"), ("middle", "coarse")):
        yield from _stage(stage, below, stage, len(getattr(network, stage)))
    for rise, above, beside in (
        ("rise_middle", "coarse", "middle"), ("rise_fine", "rise_middle", "fine"),
    ):  # fmt: skip
        yield Layer(f"{rise}.coarse.0", f"{rise}.coarse.1", rise, above)
        yield Layer(f"{rise}.fine.0", f"{rise}.fine.1", rise, beside)
        yield from _residual(f"{rise}.mix", rise)


def _stage(name: str, reads: str | None, writes: str, length: int) -> Iterator[Layer]:
    """The layers of `downsampling_stage`."""
    yield Layer(f"{name}.0.0", f"{name}.0.1", writes, reads)
    for block in range(1, length):
        yield from _residual(f"{name}.{block}", writes)


def _residual(name: str, group: str) -> Iterator[Layer]:
    """The two layers of `Residual`; the channels between them are a group of their own."""
    yield Layer(f"{name}.body.0.0", f"{name}.body.0.1", name, group)
    yield Layer(f"{name}.body.1", f"{name}.body.2", group, name)

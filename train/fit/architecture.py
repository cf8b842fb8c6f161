"""What kind of network some weights are: its widths, written beside them and read back."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

from safetensors import SafetensorError, safe_open
from torch import Tensor, nn

from crownlet.datasets.scribal.catalogue import LEARNED_DEFECTS
from crownlet.models.assessor import Assessor
from crownlet.models.locator import Locator
from crownlet.train.fit.errors import TrainingError

Kind = Literal["assessor", "locator"]

WIDTH_LAYERS: dict[Kind, tuple[str, str, str, str]] = {
    "assessor": ("stem.0.0.weight", "fine.0.0.weight", "middle.0.0.weight", "coarse.0.0.weight"),
    "locator": ("stem.0.weight", "fine.0.0.weight", "middle.0.0.weight", "coarse.0.0.weight"),
}
"""First layer of each of the four stages; its output channels are the stage's width."""

HEAD_LAYER: dict[Kind, str] = {"assessor": "hidden.1.weight", "locator": "shared.0.weight"}
"""Layer whose outputs the heads read."""


class ArchitectureError(TrainingError):
    """Weights that are of no network here, or not of the one asked for."""


@dataclass(frozen=True)
class Architecture:
    """A network's kind, the channels of its four stages, and those that its heads read."""

    name: Kind
    widths: tuple[int, int, int, int]
    head: int

    def __str__(self) -> str:
        widths = ", ".join(map(str, self.widths))
        return f"{self.name} of widths [{widths}] and head {self.head}"

    def build(self) -> Assessor | Locator:
        """The network, its weights drawn afresh."""
        if self.name == "assessor":
            return Assessor(len(LEARNED_DEFECTS), self.widths, self.head)
        return Locator(self.widths, self.head)

    def as_facts(self) -> dict[str, object]:
        """As it stands in the metadata of the weights."""
        return {**asdict(self), "widths": list(self.widths)}


def build_network(name: str, widths: Any, head: int) -> Assessor | Locator:
    """A network as a configuration describes it; ArchitectureError if it describes none."""
    if name not in WIDTH_LAYERS:
        raise ArchitectureError(f"no network is called {name!r}: assessor or locator")
    return Architecture(name, _four(widths), int(head)).build()


def architecture_of_tensors(tensors: Mapping[str, Tensor]) -> Architecture:
    """The architecture of a network's named parameters; ArchitectureError if it is none of ours."""
    return _from_shapes({key: tuple(value.shape) for key, value in tensors.items()})


def architecture_of_network(network: nn.Module) -> Architecture:
    """The architecture of a network; ArchitectureError if it is none of ours."""
    return architecture_of_tensors(network.state_dict())


def architecture_of_file(path: Path) -> Architecture:
    """The architecture of the weights in `path`, from their metadata or, in files written before
    these held it, from the shapes of the layers; ArchitectureError if it is none of ours."""
    try:
        with safe_open(path, framework="pt") as file:
            facts = json.loads((file.metadata() or {}).get("facts", "{}"))
            keys = file.keys()
            shapes = {key: tuple(file.get_slice(key).get_shape()) for key in keys}
    except (OSError, ValueError, SafetensorError) as error:
        raise ArchitectureError(f"{path} cannot be read as weights: {error}") from None
    found = _from_shapes(shapes)
    stored = facts.get("architecture")
    if stored is not None and stored != found.as_facts():
        raise ArchitectureError(f"{path}: its metadata describe {stored}, its layers {found}")
    return found


def _from_shapes(shapes: Mapping[str, tuple[int, ...]]) -> Architecture:
    for kind, layers in WIDTH_LAYERS.items():
        if all(layer in shapes for layer in (*layers, HEAD_LAYER[kind])):
            widths = _four([shapes[layer][0] for layer in layers])
            return Architecture(kind, widths, shapes[HEAD_LAYER[kind]][0])
    raise ArchitectureError("these are the weights of neither an assessor nor a locator")


def _four(widths: Any) -> tuple[int, int, int, int]:
    given = [int(width) for width in widths]
    if len(given) != 4:
        raise ArchitectureError(f"a network has four widths, not {len(given)}: {given}")
    return (given[0], given[1], given[2], given[3])

"""Weights in and out: safetensors, never pickles."""

from __future__ import annotations

import json
from pathlib import Path

import torch
from safetensors import safe_open
from safetensors.torch import load_file, save_file
from torch import Tensor, nn

from crownlet.datasets.scribal.catalogue import LEARNED_DEFECTS, present_name
from crownlet.models.assessor import Assessor
from crownlet.models.locator import Locator
from crownlet.train.fit.architecture import (
    Architecture,
    ArchitectureError,
    Kind,
    architecture_of_file,
    architecture_of_network,
)
from crownlet.train.fit.errors import TrainingError

DEFECT_PARAMETERS = ("defects.weight", "defects.bias")
"""Parameters of the assessor with a row for each learned defect."""


POOLED_LAYER = "hidden.1.weight"
"""The assessor's layer that reads the means of the last features, then their maxima."""


HEAD_CHILDREN = {
    "Assessor": ("hidden", "letter", "defects", "tags"),
    "Locator": ("shared", "centre", "letter", "turn", "shape", "scale"),
}
"""Children that learn with the trunk frozen. Part masks are never labelled on scans: they stay."""


def save_weights(network: Assessor | Locator, path: Path, facts: dict[str, object]) -> None:
    """Write a network's parameters and buffers with `facts` as metadata, in one step.

    The architecture is stored too, so that the network can be built from its weights alone, and so
    are the names of the learned defects, since each has rows of its own.
    """
    tensors = {
        key: value.detach().cpu().contiguous().clone()
        for key, value in network.state_dict().items()
    }
    own = {
        "architecture": architecture_of_network(network).as_facts(),
        "defects": list(LEARNED_DEFECTS),
    }
    facts = {**own, **facts}
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_suffix(".tmp")
    save_file(tensors, temporary, {"facts": json.dumps(facts)})
    temporary.replace(path)


def load_weights(network: Assessor | Locator, path: Path) -> dict[str, object]:
    """Fill a network from `path` and return the facts stored beside; ArchitectureError if it
    differs.

    Rows of defects are found by name: those that the file lacks stay as the network has them.
    """
    stored, own = architecture_of_file(path), architecture_of_network(network)
    if stored != own:
        raise _misfit(path, stored, own)
    facts = facts_of(path)
    tensors = load_file(path)
    names = facts.get("defects")
    if isinstance(names, list) and names != list(LEARNED_DEFECTS):
        _realign_defects(tensors, network.state_dict(), names)
    problems = network.load_state_dict(tensors, strict=False)
    if problems.missing_keys or problems.unexpected_keys:
        raise ArchitectureError(
            f"{path} does not fit this network: missing {problems.missing_keys[:3]}, "
            f"unexpected {problems.unexpected_keys[:3]}"
        )
    return facts


def weights_named(given: str | None, name: Kind) -> Path:
    """The file of weights that a configuration names as `export.NAME`; TrainingError, which
    suggests the newest, if it names none or one that is not there."""
    if given and Path(given).is_file():
        return Path(given)
    there = Path("runs").glob(f"{name}/*/{name}.safetensors")
    newest = max(there, key=lambda path: path.stat().st_mtime, default=None)
    fault = f"={given}: there is no such file" if given else " is not set"
    hint = f"; the newest are export.{name}={newest}" if newest else ""
    raise TrainingError(f"export.{name}{fault}; name the weights to use{hint}")


def version_named(given: object) -> str:
    """The version that a configuration names as `export.version`; TrainingError if it names none,
    so that no new networks bear the name of old ones, and if it reads as a number (0.10 is 0.1)."""
    if not given:
        raise TrainingError(
            "export.version is not set; name the new networks, such as export.version=0.7.0"
        )
    if not isinstance(given, str):
        raise TrainingError(
            f"export.version={given} reads as a number; name a version of three parts, as 0.7.0"
        )
    return given


def open_assessor(path: Path) -> Assessor:
    """The assessor whose weights are in `path`, as wide as it was trained, ready to run;
    ArchitectureError if they are of another network."""
    network = _open_network(path, "assessor")
    assert isinstance(network, Assessor)
    return network


def open_locator(path: Path) -> Locator:
    """The locator whose weights are in `path`, as wide as it was trained, ready to run;
    ArchitectureError if they are of another network."""
    network = _open_network(path, "locator")
    assert isinstance(network, Locator)
    return network


def _open_network(path: Path, kind: Kind) -> Assessor | Locator:
    architecture = architecture_of_file(path)
    if architecture.name != kind:
        raise _misfit(path, architecture, kind)
    network = architecture.build()
    load_weights(network, path)
    return network.eval()


def load_narrower(network: Assessor | Locator, path: Path) -> dict[str, object]:
    """Fill a network from `path`, whose layers may be narrower; the facts stored beside.

    The narrow network stands in the first channels of each layer. They take nothing from the new
    channels, which begin as drawn and learn (after Net2Net, Chen et al. 2016), so that the answers
    are those of the narrow network as long as nothing is learned. ArchitectureError where a layer
    of `path` is missing, or wider.
    """
    stored, kind = architecture_of_file(path), architecture_of_network(network).name
    if stored.name != kind:
        raise _misfit(path, stored, kind)
    facts, tensors, own = facts_of(path), load_file(path), network.state_dict()
    names = facts.get("defects")
    if isinstance(names, list) and names != list(LEARNED_DEFECTS):
        columns = tensors[DEFECT_PARAMETERS[0]].shape[1]
        _realign_defects(
            tensors,
            {
                DEFECT_PARAMETERS[0]: own[DEFECT_PARAMETERS[0]][:, :columns],
                DEFECT_PARAMETERS[1]: own[DEFECT_PARAMETERS[1]],
            },
            names,
        )
    for key, value in own.items():
        old = tensors.get(key)
        if old is None or any(a > b for a, b in zip(old.shape, value.shape, strict=True)):
            raise ArchitectureError(f"{path} does not fit into this network: {key}")
        if not value.ndim:
            value.copy_(old)
            continue
        if value.ndim > 1:
            value[: old.shape[0]] = 0.0
        halves, axis = (2, 1) if key == POOLED_LAYER else (1, 0)
        for mine, theirs in zip(value.chunk(halves, axis), old.chunk(halves, axis), strict=True):
            mine[tuple(slice(length) for length in theirs.shape)] = theirs
    return facts


def _misfit(path: Path, stored: Architecture, needed: Architecture | Kind) -> ArchitectureError:
    return ArchitectureError(
        f"{path} does not fit this network: {stored}, where {needed} is needed"
    )


def facts_of(path: Path) -> dict[str, object]:
    """The facts stored beside the weights in `path`, defects under their names of today."""
    with safe_open(path, framework="pt") as file:
        facts: dict[str, object] = json.loads((file.metadata() or {}).get("facts", "{}"))
    if isinstance(names := facts.get("defects"), list):
        facts["defects"] = [present_name(str(name)) for name in names]
    return facts


def _realign_defects(tensors: dict[str, Tensor], own: dict[str, Tensor], names: list[str]) -> None:
    """Bring the rows of defects stored under `names` into the catalogue's present order."""
    pairs = [(k, names.index(name)) for k, name in enumerate(LEARNED_DEFECTS) if name in names]
    here = torch.tensor([k for k, _ in pairs], dtype=torch.long)
    there = torch.tensor([k for _, k in pairs], dtype=torch.long)
    for key in DEFECT_PARAMETERS:
        if key in tensors and key in own:
            rows = own[key].clone()
            rows[here] = tensors[key][there]
            tensors[key] = rows


def freeze(network: nn.Module, what: str) -> tuple[nn.Module, ...]:
    """Stop the gradients of `what` (none or trunk); the frozen children, to be kept in eval mode.

    ValueError for anything else.
    """
    if what == "none":
        return ()
    if what != "trunk":
        raise ValueError(f"nothing is called {what!r} that could be frozen: none or trunk")
    heads = HEAD_CHILDREN[type(network).__name__]
    frozen = tuple(child for name, child in network.named_children() if name not in heads)
    for child in frozen:
        child.requires_grad_(False)
    return frozen

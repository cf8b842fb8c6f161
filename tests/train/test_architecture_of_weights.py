"""Weights hold the architecture they belong to, so that export builds the network that learned."""

from __future__ import annotations

import json
from pathlib import Path

import onnx
import pytest
import torch
from safetensors.torch import save_file

from crownlet.datasets.scribal.catalogue import LEARNED_DEFECTS
from crownlet.infer.networks import OnnxNetworks, weights_folder
from crownlet.models.assessor import Assessor
from crownlet.models.locator import Locator
from crownlet.train.export.onnx import export_networks
from crownlet.train.fit.architecture import ArchitectureError, architecture_of_file
from crownlet.train.fit.weights import facts_of, open_assessor, open_locator, save_weights
from tests.train.test_fit import configured

D = len(LEARNED_DEFECTS)
ASSESSOR_WIDTHS, HIDDEN = (8, 16, 24, 40), 48
LOCATOR_WIDTHS, HEAD = (8, 24, 16, 32), 24


def test_a_network_of_any_width_is_built_from_its_weights_alone(tmp_path: Path) -> None:
    """Own check: the file gives back the tensors that went in, under the widths that were given."""
    path = tmp_path / "w.safetensors"
    for network, reopen in (
        (Assessor(D, ASSESSOR_WIDTHS, HIDDEN), open_assessor),
        (Locator(LOCATOR_WIDTHS, HEAD), open_locator),
    ):
        save_weights(network, path, {})
        again = reopen(path)
        assert not again.training
        assert all(
            torch.equal(value, again.state_dict()[key])
            for key, value in network.state_dict().items()
        )
    assert facts_of(path)["architecture"] == {
        "name": "locator", "widths": list(LOCATOR_WIDTHS), "head": HEAD,
    }  # fmt: skip


def test_weights_written_before_they_held_their_architecture_are_known_by_their_layers(
    tmp_path: Path,
) -> None:
    path = tmp_path / "old.safetensors"
    save_file(Assessor(D, ASSESSOR_WIDTHS, HIDDEN).state_dict(), path, {"facts": "{}"})
    found = architecture_of_file(path)
    assert (found.name, found.widths, found.head) == ("assessor", ASSESSOR_WIDTHS, HIDDEN)


def test_weights_of_the_other_network_or_of_none_are_refused_in_words(tmp_path: Path) -> None:
    path = tmp_path / "w.safetensors"
    save_weights(Locator(LOCATOR_WIDTHS, HEAD), path, {})
    with pytest.raises(ArchitectureError, match=r"locator of widths .* where assessor is needed"):
        open_assessor(path)
    save_file({"weight": torch.zeros(2, 2)}, path)
    with pytest.raises(ArchitectureError, match="neither an assessor nor a locator"):
        open_locator(path)
    tensors = Locator(LOCATOR_WIDTHS, HEAD).state_dict()
    facts = {"architecture": {"name": "locator", "widths": [1, 2, 3, 4], "head": 5}}
    save_file(tensors, path, {"facts": json.dumps(facts)})
    with pytest.raises(ArchitectureError, match="its metadata describe"):
        open_locator(path)


def test_networks_trained_wider_or_narrower_are_exported_as_they_were_trained(
    tmp_path: Path,
) -> None:
    torch.manual_seed(1)
    assessor, locator = tmp_path / "assessor.safetensors", tmp_path / "locator.safetensors"
    save_weights(Assessor(D, ASSESSOR_WIDTHS, HIDDEN), assessor, {})
    save_weights(Locator(LOCATOR_WIDTHS, HEAD), locator, {})
    # The configuration of the export says nothing of widths.
    config = configured(
        tmp_path, "assessor", f"export.assessor={assessor}", f"export.locator={locator}",
        f"export.to={tmp_path / 'model'}", "export.calibration_pages=2", "export.version=0.1.0",
    )  # fmt: skip
    folder = export_networks(config)
    for name, widths, head in (
        ("assessor", ASSESSOR_WIDTHS, HIDDEN),
        ("locator", LOCATOR_WIDTHS, HEAD),
    ):
        model = onnx.load(folder / f"{name}.onnx")
        facts = {entry.key: entry.value for entry in model.metadata_props}
        expected = {"name": name, "widths": list(widths), "head": head}
        assert json.loads(facts["architecture"]) == expected
    (folder / "routing.yaml").write_bytes((weights_folder() / "routing.yaml").read_bytes())
    assert OnnxNetworks(folder) is not None

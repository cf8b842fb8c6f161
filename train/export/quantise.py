"""The job `integers`: the networks of an exported model in 8-bit integers, three times as quick.

Weights are rounded channel by channel, activations by the range that rendered pages show them
(static quantisation, Jacob et al. 2018). The heads stay in floating point. The promise of the
thresholds has to be made afterwards: it holds for no other networks.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import onnx

from crownlet.datasets.files.images import PageError
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import training
from crownlet.infer.inspector import Inspector
from crownlet.infer.networks import NETWORK_FILES, OnnxNetworks, import_onnx_runtime
from crownlet.train.bench.networks import Shown
from crownlet.train.export.hand import add_letter_means
from crownlet.train.export.onnx import write_checksums
from crownlet.train.export.part_masks import split_part_masks

FIRST_PAGE_SEED = 960_000_000

INTEGER_OPERATORS = ("Conv", "Add", "Relu", "Resize")


def quantise_in_place(model: Path, pages: int, held_out: int) -> dict[str, float]:
    """Put integers in the place of the floating-point networks of the folder `model`.

    Ranges are taken from `pages` rendered pages; how far the probabilities move is measured on
    `held_out` others (`measure_differences`). ValueError if the networks are in integers already.
    """
    with tempfile.TemporaryDirectory(dir=model.parent) as beside:
        folder = quantise(model, Path(beside) / model.name, pages)
        add_letter_means(folder)
        away = measure_differences(model, folder, held_out)
        for name in (*NETWORK_FILES, "checksums.sha256"):
            (folder / name).replace(model / name)
    return away


def quantise(model: Path, to: Path, pages: int) -> Path:
    """Copy the model folder to `to`, its networks in integers fitted on rendered pages."""
    kept = record_inputs(model, pages, "calibrate", FIRST_PAGE_SEED)
    shutil.copytree(model, to)
    write_integers(model / "locator.onnx", to / "locator.onnx", [{"page": p} for p in kept.pages])
    write_integers(
        model / "assessor.onnx", to / "assessor.onnx", [{"crops": c} for c in kept.crops]
    )
    split_part_masks(to / "assessor.onnx")
    write_checksums(to)
    return to


def quantise_model(config: Any) -> Path:
    """The job `integers`: how far the probabilities moved is printed; the model's folder."""
    own = config.integers
    for name, value in quantise_in_place(Path(own.model), own.pages, own.held_out).items():
        print(f"{name:<28}{value:.5g}")
    return Path(own.model)


def record_inputs(model: Path, pages: int, split: str, first: int) -> Shown:
    """What the networks of `model` are shown of `pages` rendered pages by hands of `split`."""
    kept = Shown(OnnxNetworks(model))
    inspector = Inspector(model, networks=kept, measure="none")
    for seed in range(first, first + pages):
        try:
            inspector.load(compose(training(split=split), seed).image)
        except PageError:  # Inputs of a refused page stay: such pages occur too.
            continue
    return kept


def write_integers(network: Path, to: Path, shown: Sequence[dict[str, npt.NDArray[Any]]]) -> None:
    """One network with 8-bit weights and activations, calibrated on its inputs `shown`."""
    import_onnx_runtime()
    from onnxruntime.quantization import (
        CalibrationDataReader,
        QuantFormat,
        QuantType,
        quantize_static,
    )
    from onnxruntime.quantization.shape_inference import quant_pre_process

    class Feeds(CalibrationDataReader):  # type: ignore[misc]
        """The inputs, one after another."""

        def __init__(self) -> None:
            self.rest: Iterator[dict[str, npt.NDArray[Any]]] = iter(shown)

        def get_next(self) -> dict[str, npt.NDArray[Any]] | None:
            return next(self.rest, None)

    if any(node.op_type == "QuantizeLinear" for node in onnx.load(network).graph.node):
        raise ValueError(f"{network}: is in integers already; export it anew.")
    ready = to.with_suffix(".tmp")
    # Symbolic shapes fail on the pooling of the assessor's export; plain ones are enough.
    quant_pre_process(network, ready, skip_symbolic_shape=True)
    graph = onnx.load(ready).graph
    # Weights of 7 bits: with 8, processors without VNNI may overflow where they add two products in
    # 16 bits, and give other results than those that have it.
    quantize_static(
        ready, to, Feeds(), quant_format=QuantFormat.QDQ, per_channel=True, reduce_range=True,
        activation_type=QuantType.QUInt8, weight_type=QuantType.QInt8,
        op_types_to_quantize=list(INTEGER_OPERATORS), nodes_to_exclude=nodes_in_floats(graph),
    )  # fmt: skip
    ready.unlink()


def nodes_in_floats(graph: onnx.GraphProto) -> list[str]:
    """Convolutions left as they are: those that lead only to outputs."""
    answers = {output.name for output in graph.output}
    for node in reversed(graph.node):
        if node.op_type in ("Sigmoid", "Softmax") and answers & set(node.output):
            answers |= set(node.input)
    return [n.name for n in graph.node if n.op_type == "Conv" and answers & set(n.output)]


def measure_differences(model: Path, other: Path, pages: int) -> dict[str, float]:
    """How far the probabilities of `other` lie from those of `model` on held-out hands' letters."""
    crops = np.concatenate(
        record_inputs(model, pages, "heldout", FIRST_PAGE_SEED + 1_000_000).crops
    )
    ours, theirs = OnnxNetworks(model).assess(crops), OnnxNetworks(other).assess(crops)
    letter, defect = (np.abs(a - b) for a, b in zip(ours[:2], theirs[:2], strict=True))
    return {
        "letters": float(len(crops)),
        "other_letter": float((ours[0].argmax(1) != theirs[0].argmax(1)).mean()),
        "letter_p_mean": float(letter.mean()),
        "defect_p_mean": float(defect.mean()),
        "defect_p_999_of_1000_below": float(np.quantile(defect, 0.999)),
        "defect_p_most": float(defect.max()),
        "a_defect_moved_by_0.05": float((defect > 0.05).any(axis=1).mean()),
    }

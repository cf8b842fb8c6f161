"""Both networks in 8-bit integers, tried out: `python -m crownlet.train.quantise OUT`.

Weights are rounded channel by channel, activations by the range that rendered pages show them
(static quantisation, Jacob et al. 2018). The first convolutions and the heads stay in floating
point. What comes out is a model folder that `--model` takes, but not one to work with: the promise
of thresholds.yaml was gathered with the networks as trained, and holds for no others.
"""

from __future__ import annotations

import argparse
import shutil
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import onnx

from crownlet.datasets.page.compose import compose
from crownlet.datasets.page.spec import training
from crownlet.infer import Inspector
from crownlet.infer.bench.networks import Shown
from crownlet.infer.reading import PageError
from crownlet.infer.sessions import Sessions, weights_folder
from crownlet.train.export import write_checksums

FIRST_SEED = 960_000_000
INTEGERS = ("Conv", "Add", "Relu", "Resize")
BESIDE = ("thresholds.yaml", "routing.yaml", "calibration.yaml")


def quantise(model: Path, to: Path, pages: int) -> Path:
    """Write the networks of `model` in integers to the folder `to`, fitted on rendered pages."""
    kept = show(model, pages, "calibrate", FIRST_SEED)
    to.mkdir(parents=True, exist_ok=True)
    write_integers(model / "locator.onnx", to / "locator.onnx", [{"page": p} for p in kept.pages])
    write_integers(
        model / "assessor.onnx", to / "assessor.onnx", [{"crops": c} for c in kept.crops]
    )
    for name in BESIDE:
        if (model / name).exists():
            shutil.copyfile(model / name, to / name)
    write_checksums(to)
    return to


def show(model: Path, pages: int, split: str, first: int) -> Shown:
    """What the networks of `model` are shown of `pages` rendered pages by hands of `split`."""
    kept = Shown(Sessions(model))
    inspector = Inspector(model, networks=kept, measured=False)
    for seed in range(first, first + pages):
        try:
            inspector.look(compose(training(split=split), seed).image)
        except PageError:  # What was shown of a refused page stays: such pages come too.
            continue
    return kept


def write_integers(network: Path, to: Path, shown: Sequence[dict[str, npt.NDArray[Any]]]) -> None:
    """One network with 8-bit weights and activations, calibrated on its inputs `shown`."""
    from onnxruntime.quantization import (
        CalibrationDataReader,
        QuantFormat,
        QuantType,
        quantize_static,
    )
    from onnxruntime.quantization.shape_inference import quant_pre_process

    class Feeds(CalibrationDataReader):
        """The inputs, one after another."""

        def __init__(self) -> None:
            self.rest: Iterator[dict[str, npt.NDArray[Any]]] = iter(shown)

        def get_next(self) -> dict[str, npt.NDArray[Any]] | None:
            return next(self.rest, None)

    ready = to.with_suffix(".tmp")
    # Symbolic shapes fail on the pooling of the assessor's export; plain ones are enough.
    quant_pre_process(network, ready, skip_symbolic_shape=True)
    graph = onnx.load(ready).graph
    quantize_static(
        ready, to, Feeds(), quant_format=QuantFormat.QDQ, per_channel=True,
        activation_type=QuantType.QUInt8, weight_type=QuantType.QInt8,
        op_types_to_quantize=list(INTEGERS), nodes_to_exclude=in_floats(graph),
    )  # fmt: skip
    ready.unlink()


def in_floats(graph: onnx.GraphProto) -> list[str]:
    """Nodes left as they are: the first convolution, and those from which only answers come."""
    first = next(node for node in graph.node if node.op_type == "Conv")
    answers = {output.name for output in graph.output}
    for node in reversed(graph.node):
        if node.op_type in ("Sigmoid", "Softmax") and answers & set(node.output):
            answers |= set(node.input)
    heads = [n.name for n in graph.node if n.op_type == "Conv" and answers & set(n.output)]
    return [first.name, *heads]


def moved(model: Path, other: Path, pages: int) -> dict[str, float]:
    """How far the probabilities of `other` lie from those of `model` on held-out hands' letters."""
    crops = np.concatenate(show(model, pages, "heldout", FIRST_SEED + 1_000_000).crops)
    ours, theirs = Sessions(model).assess(crops), Sessions(other).assess(crops)
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


def main() -> None:
    """Quantise, and say how far the probabilities moved."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("to", type=Path, metavar="OUT", help="folder for the integer networks")
    parser.add_argument("--model", type=Path, default=weights_folder(), metavar="DIR")
    parser.add_argument("--pages", type=int, default=40, help="rendered pages to fit ranges on")
    parser.add_argument("--held-out", type=int, default=10, help="pages to compare on")
    options = parser.parse_args()
    folder = quantise(options.model, options.to, options.pages)
    for name, value in moved(options.model, folder, options.held_out).items():
        print(f"{name:<28}{value:.5g}")


if __name__ == "__main__":
    main()

"""How many floating point operations a network takes, as the runtime itself reports its shapes."""

from __future__ import annotations

import json
import tempfile
from math import prod
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from crownlet.infer import crops
from crownlet.infer.sessions import onnx_runtime


def flops_a_crop(folder: Path) -> int:
    """Operations of the assessor for one letter."""
    crop = np.zeros((1, 2, crops.HEIGHT, crops.WIDTH), np.uint8)
    return flops(folder / "assessor.onnx", {"crops": crop})


def flops_a_pixel(folder: Path, side: int = 256) -> float:
    """Operations of the locator for one pixel of the page as it is shown."""
    page = np.zeros((1, 1, side, side), np.float32)
    return flops(folder / "locator.onnx", {"page": page}) / side**2


def in_integers(folder: Path) -> bool:
    """Whether the networks of a model folder reckon in 8-bit integers, by their operators."""
    return b"QuantizeLinear" in (folder / "assessor.onnx").read_bytes()


def flops(network: Path, feed: dict[str, npt.NDArray[Any]]) -> int:
    """Operations of the convolutions and matrix products of one run, none optimised away.

    A multiplication and an addition are two; what is added for biases and curves is left out.
    """
    ort = onnx_runtime()

    with tempfile.TemporaryDirectory() as folder:
        options = ort.SessionOptions()
        options.graph_optimization_level = ort.GraphOptimizationLevel.ORT_DISABLE_ALL
        options.log_severity_level = 3
        options.enable_profiling = True
        options.profile_file_prefix = str(Path(folder) / "run")
        session = ort.InferenceSession(network, options, providers=["CPUExecutionProvider"])
        session.run(None, feed)
        events = json.loads(Path(session.end_profiling()).read_text(encoding="utf-8"))
    return sum(_of(event["args"]) for event in events if event["name"].endswith("_kernel_time"))


def _of(node: dict[str, Any]) -> int:
    shapes = [next(iter(entry.values())) for entry in node["input_type_shape"] if entry]
    out = [next(iter(entry.values())) for entry in node["output_type_shape"] if entry]
    if node["op_name"] == "Conv":
        return 2 * prod(out[0]) * prod(shapes[1][1:])
    if node["op_name"] in ("Gemm", "MatMul"):
        return 2 * prod(out[0]) * shapes[0][-1]
    return 0

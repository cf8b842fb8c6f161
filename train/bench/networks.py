"""The peak of this processor in plain convolutions, and the time and share of it of both networks.

A stack of 3 x 3 convolutions of 64 channels, which fit the cache and the vector registers of every
processor in use, runs in ONNX Runtime with the same threads and kind of numbers as the networks.
Its file is written here, field by field as onnx.proto numbers them, since a chain of one operator
is too little to need the `onnx` package. Operations of the networks are counted from the shapes
that the runtime reports; both also run in torch, as the baseline of the export.
"""

from __future__ import annotations

import json
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from math import prod
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
import numpy.typing as npt
import torch
from torch import Tensor

from crownlet.infer.image import crops
from crownlet.infer.networks import (
    Assessment,
    Float32,
    LocatorMaps,
    ModelInfo,
    OnnxNetworks,
    import_onnx_runtime,
)
from crownlet.train.fit.weights import open_assessor, open_locator

PEAK_CHANNELS, PEAK_SIDE_PX, PEAK_LAYERS, PEAK_BATCH = 64, 32, 6, 4

PEAK_OPERATIONS = 2 * 9 * PEAK_CHANNELS**2 * PEAK_SIDE_PX**2 * PEAK_LAYERS * PEAK_BATCH
"""Operations of one run, of floating point or of integers; multiplying and adding are two."""

RUNS_PER_ROUND = 8
"""Runs that are timed together: one takes only milliseconds."""

FLOAT, UINT8, INT8 = 1, 2, 3

INTS_ATTRIBUTE = 7
"""AttributeProto.AttributeType."""


def measure_peak(threads: int, repeats: int = 9, integers: bool = False) -> float:
    """Operations per second, the best of `repeats` rounds, in float32 or in 8-bit integers."""
    seconds = least_seconds(repeats, peak_round(threads, integers=integers))
    return PEAK_OPERATIONS * RUNS_PER_ROUND / seconds


def peak_round(threads: int, *, integers: bool) -> Callable[[], object]:
    """What runs plain convolutions of `PEAK_OPERATIONS` for `RUNS_PER_ROUND` times."""
    ort = import_onnx_runtime()

    options = ort.SessionOptions()
    options.intra_op_num_threads, options.inter_op_num_threads = threads, 1
    model = build_convolutions(integers)
    session = ort.InferenceSession(model, options, providers=["CPUExecutionProvider"])
    shape, rng = (PEAK_BATCH, PEAK_CHANNELS, PEAK_SIDE_PX, PEAK_SIDE_PX), np.random.default_rng(0)
    picture = rng.integers(0, 255, shape, np.uint8) if integers else rng.random(shape, np.float32)
    return lambda: [session.run(None, {"x": picture}) for _ in range(RUNS_PER_ROUND)]


def least_seconds(repeats: int, action: Callable[[], object]) -> float:
    """Least seconds that an action took, after one run for warmth."""
    action()
    return min(_time_action(action) for _ in range(repeats))


def _time_action(
    action: Callable[[], object], clock: Callable[[], float] = time.perf_counter
) -> float:
    start = clock()
    action()
    return clock() - start


def share_of_peak(
    action: Callable[[], object], operations: float, peak: Callable[[], object], repeats: int
) -> float:
    """How near an action of so many operations comes to the plain convolutions of `peak_round`.

    Both by processor time and by turns: what else runs on the machine slows both alike.
    """
    action()
    peak()
    ratios = []
    for _ in range(repeats):
        plain = _time_action(peak, time.process_time) / (PEAK_OPERATIONS * RUNS_PER_ROUND)
        ratios.append(plain * operations / _time_action(action, time.process_time))
    return median(ratios)


def build_convolutions(integers: bool = False) -> bytes:
    """The stack as an ONNX model: input `x`, (BATCH, CHANNELS, SIDE, SIDE), float32 or uint8."""
    rng = np.random.default_rng(0)
    kind = UINT8 if integers else FLOAT
    graph = _field(2, b"peak")
    if integers:  # One scale and no offset for all: what the numbers mean does not matter here.
        graph += _constant("s", FLOAT, np.array(1 / 24, "<f4"))
        graph += _constant("u", UINT8, np.array(0, np.uint8))
        graph += _constant("i", INT8, np.array(0, np.int8))
    for layer in range(PEAK_LAYERS):
        weights = rng.standard_normal((PEAK_CHANNELS, PEAK_CHANNELS, 3, 3)).astype("<f4") / 24
        name, given, made = f"w{layer}", f"y{layer}" if layer else "x", f"y{layer + 1}"
        if integers:
            graph += _constant(name, INT8, (weights * 480).clip(-64, 64).astype(np.int8))
            ends = [given, "s", "u", name, "s", "i", "s", "u"]
        else:
            graph += _constant(name, FLOAT, weights)
            ends = [given, name]
        node = b"".join(_field(1, end.encode()) for end in ends) + _field(2, made.encode())
        pads = (
            _field(1, b"pads")
            + b"".join(_number(8, 1) for _ in range(4))
            + _number(20, INTS_ATTRIBUTE)
        )
        operator = b"QLinearConv" if integers else b"Conv"
        graph += _field(1, node + _field(4, operator) + _field(5, pads))
    graph += _field(11, _tensor(b"x", kind)) + _field(12, _tensor(f"y{PEAK_LAYERS}".encode(), kind))
    return _number(1, 8) + _field(8, _number(2, 17)) + _field(7, graph)


def _constant(name: str, kind: int, values: npt.NDArray[Any]) -> bytes:
    """An initializer of the graph."""
    dims = b"".join(_number(1, size) for size in values.shape)
    named = _field(8, name.encode()) + _field(9, values.tobytes())
    return _field(5, dims + _number(2, kind) + named)


def _tensor(name: bytes, kind: int) -> bytes:
    """ValueInfoProto of a picture."""
    sizes = (PEAK_BATCH, PEAK_CHANNELS, PEAK_SIDE_PX, PEAK_SIDE_PX)
    shape = b"".join(_field(1, _number(1, size)) for size in sizes)
    return _field(1, name) + _field(2, _field(1, _number(1, kind) + _field(2, shape)))


def _varint(value: int) -> bytes:
    out = bytearray()
    while value > 127:
        out.append(value & 127 | 128)
        value >>= 7
    return bytes([*out, value])


def _number(field: int, value: int) -> bytes:
    return _varint(field << 3) + _varint(value)


def _field(field: int, content: bytes) -> bytes:
    return _varint(field << 3 | 2) + _varint(len(content)) + content


def operations_per_crop(folder: Path) -> int:
    """Operations of the assessor for one letter."""
    crop = np.zeros((1, 2, crops.CROP_HEIGHT_PX, crops.CROP_WIDTH_PX), np.uint8)
    return count_operations(folder / "assessor.onnx", {"crops": crop})


def operations_per_pixel(folder: Path, side: int = 256) -> float:
    """Operations of the locator for one pixel of the page as it is shown."""
    page = np.zeros((1, 1, side, side), np.float32)
    return count_operations(folder / "locator.onnx", {"page": page}) / side**2


def is_quantised(folder: Path) -> bool:
    """Whether the networks of a model folder compute in 8-bit integers, by their operators."""
    return b"QuantizeLinear" in (folder / "assessor.onnx").read_bytes()


def count_operations(network: Path, feed: dict[str, npt.NDArray[Any]]) -> int:
    """Operations of the convolutions and matrix products of one run, none optimised away.

    A multiplication and an addition are two; what is added for biases and curves is left out.
    """
    ort = import_onnx_runtime()

    with tempfile.TemporaryDirectory() as folder:
        options = ort.SessionOptions()
        options.graph_optimization_level = ort.GraphOptimizationLevel.ORT_DISABLE_ALL
        options.log_severity_level = 3
        options.enable_profiling = True
        options.profile_file_prefix = str(Path(folder) / "run")
        session = ort.InferenceSession(network, options, providers=["CPUExecutionProvider"])
        session.run(None, feed)
        events = json.loads(Path(session.end_profiling()).read_text(encoding="utf-8"))
    return sum(
        _node_operations(event["args"])
        for event in events
        if event["name"].endswith("_kernel_time")
    )


def _node_operations(node: dict[str, Any]) -> int:
    shapes = [next(iter(entry.values())) for entry in node["input_type_shape"] if entry]
    out = [next(iter(entry.values())) for entry in node["output_type_shape"] if entry]
    if node["op_name"] == "Conv":
        return int(2 * prod(out[0]) * prod(shapes[1][1:]))
    if node["op_name"] in ("Gemm", "MatMul"):
        return int(2 * prod(out[0]) * shapes[0][-1])
    return 0


@dataclass
class Shown:
    """Networks that keep their inputs."""

    sessions: OnnxNetworks
    pages: list[Float32] = field(default_factory=list)
    crops: list[npt.NDArray[np.uint8]] = field(default_factory=list)

    @property
    def info(self) -> ModelInfo:
        """Names and versions."""
        return self.sessions.info

    @property
    def lanes(self) -> int:
        """Batches assessed at once."""
        return self.sessions.lanes

    def locate(self, page: Float32) -> LocatorMaps:
        """As `OnnxNetworks.locate`."""
        self.pages.append(page)
        return self.sessions.locate(page)

    def assess(self, crops: npt.NDArray[np.uint8]) -> Assessment:
        """As `OnnxNetworks.assess`."""
        self.crops.append(crops)
        return self.sessions.assess(crops)

    def part_masks(self, seen: Assessment, rows: npt.NDArray[np.int64]) -> Float32:
        """As `OnnxNetworks.part_masks`."""
        return self.sessions.part_masks(seen, rows)


def record_inputs(sessions: OnnxNetworks, page: Path) -> Shown:
    """The inputs of both networks on a page, trial windows of its scale included."""
    from crownlet.infer.inspector import Inspector

    kept = Shown(sessions)
    Inspector(sessions.folder, networks=kept, measure="none").inspect(page)
    return kept


def measure_alone(kept: Shown, repeats: int, *, integers: bool) -> dict[str, dict[str, Any]]:
    """By network: seconds, operations, and the share of the plain convolutions' operations."""
    sessions = kept.sessions
    peak = peak_round(sessions.threads, integers=integers)
    taken = {
        "locator": operations_per_pixel(sessions.folder) * sum(page.size for page in kept.pages),
        "assessor": operations_per_crop(sessions.folder) * sum(map(len, kept.crops)),
    }
    with ThreadPoolExecutor(sessions.lanes) as pool:
        actions: dict[str, Callable[[], object]] = {
            "locator": lambda: [sessions.locate(page) for page in kept.pages],
            "assessor": lambda: list(pool.map(sessions.assess, kept.crops)),
        }
        seconds = {name: least_seconds(repeats, action) for name, action in actions.items()}
        shares = {
            name: share_of_peak(action, taken[name], peak, repeats)
            for name, action in actions.items()
        }
    return {
        name: {
            "seconds": spent, "gigaflop": taken[name] / 1e9,
            "gigaflop_a_second": taken[name] / spent / 1e9, "share_of_peak": shares[name],
        }
        for name, spent in seconds.items()
    }  # fmt: skip


def measure_in_torch(
    folder: Path,
    pages: Sequence[npt.NDArray[np.float32]],
    crops: Sequence[npt.NDArray[np.uint8]],
    repeats: int,
    threads: int,
) -> dict[str, float]:
    """Least seconds of `repeats` runs of each network of `folder`, its safetensors beside it."""
    torch.set_num_threads(threads)
    locator = open_locator(folder / "locator.safetensors")
    assessor = open_assessor(folder / "assessor.safetensors")
    whole = [torch.from_numpy(page) for page in pages]
    batches = [torch.from_numpy(batch) for batch in crops]

    def assess(batch: Tensor) -> object:
        return assessor(batch.float() / 255.0)

    with torch.inference_mode():
        return {
            "locator": _best(repeats, lambda: [locator(page) for page in whole]),
            "assessor": _best(repeats, lambda: [assess(batch) for batch in batches]),
        }


def _best(repeats: int, action: Callable[[], object]) -> float:
    action()
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        action()
        times.append(time.perf_counter() - start)
    return min(times)

"""The most that this processor does in plain convolutions: what the networks are held against.

A stack of 3 x 3 convolutions of 64 channels, which fit the cache and the vector registers of every
processor in use, runs in ONNX Runtime with the same threads and kind of numbers as the networks.
Its file is written here, field by field as onnx.proto numbers them, since a chain of one operator
is too little to need the `onnx` package.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from crownlet.infer.sessions import onnx_runtime

CHANNELS, SIDE, LAYERS, BATCH = 64, 32, 6, 4
FLOPS = 2 * 9 * CHANNELS**2 * SIDE**2 * LAYERS * BATCH
"""Operations of one run, of floating point or of integers; multiplying and adding are two."""
ROUNDS = 8
"""Runs that are timed together: one alone is over in milliseconds."""
FLOAT, UINT8, INT8 = 1, 2, 3
INTS = 7
"""TensorProto.DataType and AttributeProto.AttributeType."""


def measured_peak(threads: int, repeats: int = 9, integers: bool = False) -> float:
    """Operations a second, the best of `repeats` rounds, in float32 or in 8-bit integers."""
    ort = onnx_runtime()

    options = ort.SessionOptions()
    options.intra_op_num_threads, options.inter_op_num_threads = threads, 1
    model = convolutions(integers)
    session = ort.InferenceSession(model, options, providers=["CPUExecutionProvider"])
    shape, rng = (BATCH, CHANNELS, SIDE, SIDE), np.random.default_rng(0)
    picture = rng.integers(0, 255, shape, np.uint8) if integers else rng.random(shape, np.float32)
    seconds = best_of(repeats, lambda: [session.run(None, {"x": picture}) for _ in range(ROUNDS)])
    return FLOPS * ROUNDS / seconds


def best_of(repeats: int, action: Callable[[], object]) -> float:
    """Least seconds that an action took, after one run for warmth."""
    action()
    return min(_seconds(action) for _ in range(repeats))


def _seconds(action: Callable[[], object]) -> float:
    start = time.perf_counter()
    action()
    return time.perf_counter() - start


def convolutions(integers: bool = False) -> bytes:
    """The stack as an ONNX model: input `x`, (BATCH, CHANNELS, SIDE, SIDE), float32 or uint8."""
    rng = np.random.default_rng(0)
    kind = UINT8 if integers else FLOAT
    graph = _field(2, b"peak")
    if integers:  # One scale and no offset for all: what the numbers mean does not matter here.
        graph += _constant("s", FLOAT, np.array(1 / 24, "<f4"))
        graph += _constant("u", UINT8, np.array(0, np.uint8))
        graph += _constant("i", INT8, np.array(0, np.int8))
    for layer in range(LAYERS):
        weights = rng.standard_normal((CHANNELS, CHANNELS, 3, 3)).astype("<f4") / 24
        name, given, made = f"w{layer}", f"y{layer}" if layer else "x", f"y{layer + 1}"
        if integers:
            graph += _constant(name, INT8, (weights * 480).clip(-64, 64).astype(np.int8))
            ends = [given, "s", "u", name, "s", "i", "s", "u"]
        else:
            graph += _constant(name, FLOAT, weights)
            ends = [given, name]
        node = b"".join(_field(1, end.encode()) for end in ends) + _field(2, made.encode())
        pads = _field(1, b"pads") + b"".join(_number(8, 1) for _ in range(4)) + _number(20, INTS)
        operator = b"QLinearConv" if integers else b"Conv"
        graph += _field(1, node + _field(4, operator) + _field(5, pads))
    graph += _field(11, _tensor(b"x", kind)) + _field(12, _tensor(f"y{LAYERS}".encode(), kind))
    return _number(1, 8) + _field(8, _number(2, 17)) + _field(7, graph)


def _constant(name: str, kind: int, values: npt.NDArray[Any]) -> bytes:
    """An initializer of the graph."""
    dims = b"".join(_number(1, size) for size in values.shape)
    named = _field(8, name.encode()) + _field(9, values.tobytes())
    return _field(5, dims + _number(2, kind) + named)


def _tensor(name: bytes, kind: int) -> bytes:
    """ValueInfoProto of a picture."""
    sizes = (BATCH, CHANNELS, SIDE, SIDE)
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

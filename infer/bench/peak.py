"""The most that this processor does in plain convolutions: what the networks are held against.

A stack of 3 x 3 convolutions of 64 channels, which fit the cache and the vector registers of every
processor in use, runs in ONNX Runtime with the same threads as the networks. Its file is written
here, field by field as onnx.proto numbers them, since a chain of one operator is too little to
need the `onnx` package.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

CHANNELS, SIDE, LAYERS, BATCH = 64, 32, 6, 4
FLOPS = 2 * 9 * CHANNELS**2 * SIDE**2 * LAYERS * BATCH
"""Floating point operations of one run; a multiplication and an addition are two."""
ROUNDS = 8
"""Runs that are timed together: one alone is over in milliseconds."""
FLOAT, INTS = 1, 7
"""TensorProto.DataType and AttributeProto.AttributeType."""


def measured_peak(threads: int, repeats: int = 9) -> float:
    """Floating point operations a second, the best of `repeats` rounds."""
    import onnxruntime as ort

    options = ort.SessionOptions()
    options.intra_op_num_threads, options.inter_op_num_threads = threads, 1
    session = ort.InferenceSession(convolutions(), options, providers=["CPUExecutionProvider"])
    picture = np.random.default_rng(0).random((BATCH, CHANNELS, SIDE, SIDE), np.float32)
    return (
        FLOPS
        * 8
        / best_of(repeats, lambda: [session.run(None, {"x": picture}) for _ in "12345678"])
    )


def best_of(repeats: int, action: Callable[[], object]) -> float:
    """Least seconds that an action took, after one run for warmth."""
    action()
    return min(_seconds(action) for _ in range(repeats))


def _seconds(action: Callable[[], object]) -> float:
    start = time.perf_counter()
    action()
    return time.perf_counter() - start


def convolutions() -> bytes:
    """The stack as an ONNX model: input and output `x`, (BATCH, CHANNELS, SIDE, SIDE) float32."""
    rng = np.random.default_rng(0)
    graph = _field(2, b"peak")
    for layer in range(LAYERS):
        weights = rng.standard_normal((CHANNELS, CHANNELS, 3, 3)).astype("<f4") / 24
        dims = b"".join(_number(1, size) for size in weights.shape)
        name = f"w{layer}".encode()
        graph += _field(
            5, dims + _number(2, FLOAT) + _field(8, name) + _field(9, weights.tobytes())
        )
        ends = [b"x" if layer == 0 else f"y{layer}".encode(), name]
        node = b"".join(_field(1, end) for end in ends) + _field(2, f"y{layer + 1}".encode())
        pads = _field(1, b"pads") + b"".join(_number(8, 1) for _ in range(4)) + _number(20, INTS)
        graph += _field(1, node + _field(4, b"Conv") + _field(5, pads))
    graph += _field(11, _tensor(b"x")) + _field(12, _tensor(f"y{LAYERS}".encode()))
    return _number(1, 8) + _field(8, _number(2, 17)) + _field(7, graph)


def _tensor(name: bytes) -> bytes:
    """ValueInfoProto of a float32 picture."""
    sizes = (BATCH, CHANNELS, SIDE, SIDE)
    shape = b"".join(_field(1, _number(1, size)) for size in sizes)
    return _field(1, name) + _field(2, _field(1, _number(1, FLOAT) + _field(2, shape)))


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

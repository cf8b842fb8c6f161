"""Whether an ONNX file takes numbers from other files, which no checksum of its own covers.

ONNX lets a tensor lie in a file beside the model ("external data"); ONNX Runtime looks for it in
the current folder. The message types and their field numbers are those of onnx.proto (ONNX 1.x),
the encoding is that of Protocol Buffers; only the fields that lead to tensors are followed.
"""

from __future__ import annotations

from collections.abc import Iterator

FIELDS_TO_FOLLOW: dict[str, dict[int, str]] = {
    "model": {7: "graph", 20: "training", 25: "function"},
    "training": {1: "graph", 2: "graph"},
    "function": {7: "node", 11: "attribute"},
    "graph": {1: "node", 5: "tensor", 15: "sparse"},
    "node": {5: "attribute"},
    "attribute": {
        5: "tensor", 6: "graph", 10: "tensor", 11: "graph", 22: "sparse", 23: "sparse",
    },
    "sparse": {1: "tensor", 2: "tensor"},
    "tensor": {},
}  # fmt: skip
"""By kind of message: fields that hold messages, and their kinds."""

EXTERNAL_DATA_FIELD, DATA_LOCATION_FIELD = 13, 14
"""Of a tensor: where its numbers lie in another file, and whether they do (1)."""

_VARINT, _EIGHT_BYTES, _LENGTH, _FOUR_BYTES = 0, 1, 2, 5


def has_external_data(data: bytes) -> bool:
    """Whether a tensor of the model lies in another file; ValueError for what is no model."""
    waiting = [("model", memoryview(data))]
    while waiting:
        kind, message = waiting.pop()
        for number, value in _fields(message):
            if kind == "tensor":
                external = number == DATA_LOCATION_FIELD and value == 1
                if external or number == EXTERNAL_DATA_FIELD:
                    return True
            inner = FIELDS_TO_FOLLOW[kind].get(number)
            if inner is not None and isinstance(value, memoryview):
                waiting.append((inner, value))
    return False


def _fields(message: memoryview) -> Iterator[tuple[int, int | memoryview]]:
    """Numbers and values of a message's fields; ValueError where it is cut off."""
    place = 0
    while place < len(message):
        key, place = _varint(message, place)
        number, wire = key >> 3, key & 7
        if wire == _VARINT:
            value, place = _varint(message, place)
            yield number, value
            continue
        if wire == _LENGTH:
            length, place = _varint(message, place)
        elif wire in (_EIGHT_BYTES, _FOUR_BYTES):
            length = 8 if wire == _EIGHT_BYTES else 4
        else:
            raise ValueError("is no Protocol Buffers message")
        if place + length > len(message):
            raise ValueError("is cut off")
        yield number, message[place : place + length]
        place += length


def _varint(message: memoryview, place: int) -> tuple[int, int]:
    value = 0
    for shift in range(0, 70, 7):
        if place >= len(message):
            raise ValueError("is cut off")
        byte = message[place]
        place += 1
        value |= (byte & 0x7F) << shift
        if not byte & 0x80:
            return value, place
    raise ValueError("is no Protocol Buffers message")

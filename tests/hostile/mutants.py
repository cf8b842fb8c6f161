"""Damaged and absurd picture files of each format, each made from a number, the same every time."""

from __future__ import annotations

import io
import random
import struct
import zlib
from collections.abc import Callable
from functools import cache
from typing import Any

from PIL import Image
from whole import KINDS, MAGIC, bases, saved

SIZES = (0, 1, 16, 255, 4000, 16_383, 20_000, 65_535, 100_000, 2**31 - 1, 2**31, 2**32 - 1)
"""Widths and heights that headers are made to say."""


def mutant(kind: str, number: int) -> bytes:
    """The file of this number."""
    rng = random.Random(f"{kind} {number}")
    data = rng.choice(bases(kind))
    if number % 50 == 0:
        return rng.choice(BOMBS[kind])(rng)
    for _ in range(rng.choice((1, 1, 1, 2, 4))):
        data = rng.choice(CHANGES)(data, rng, kind)
    return data


def _cut(data: bytes, rng: random.Random, kind: str) -> bytes:
    return data[: rng.randrange(len(data) + 1)]


def _flip(data: bytes, rng: random.Random, kind: str) -> bytes:
    out = bytearray(data)
    for _ in range(rng.choice((1, 2, 8, 40))):
        if out:
            # Headers are where damage is met with code, so half of the flips go there.
            end = min(len(out), 200) if rng.random() < 0.5 else len(out)
            out[rng.randrange(end)] ^= 1 << rng.randrange(8)
    return bytes(out)


def _overwrite(data: bytes, rng: random.Random, kind: str) -> bytes:
    at, length = rng.randrange(len(data) + 1), rng.choice((1, 2, 4, 8, 64))
    fill = rng.choice((b"\0", b"\xff", b"\x7f", rng.randbytes(1)))
    return data[:at] + fill * length + data[at + length :]


def _header(data: bytes, rng: random.Random, kind: str) -> bytes:
    magic = rng.choice(MAGIC)
    return magic + data[rng.choice((0, len(magic))) :]


def _move(data: bytes, rng: random.Random, kind: str) -> bytes:
    a, b = sorted(rng.randrange(len(data) + 1) for _ in range(2))
    piece = data[a : min(b, a + 2000)]
    return rng.choice((data[:a] + data[b:], data[:b] + piece * rng.choice((1, 3)) + data[b:]))


def _splice(data: bytes, rng: random.Random, kind: str) -> bytes:
    other = rng.choice(bases(rng.choice(KINDS)))
    return data[: rng.randrange(len(data) + 1)] + other[rng.randrange(len(other)) :]


def _resize(data: bytes, rng: random.Random, kind: str) -> bytes:
    """Another width and height where the header says them."""
    width, height = rng.choice(SIZES), rng.choice(SIZES)
    if kind == "png":
        head = struct.pack(">II", width, height) + data[24:29]
        return data[:16] + head + struct.pack(">I", zlib.crc32(b"IHDR" + head)) + data[33:]
    if kind == "jpeg":
        for marker in (b"\xff\xc0", b"\xff\xc2"):
            at = data.find(marker)
            if at > 0:
                size = struct.pack(">HH", height & 65535, width & 65535)
                return data[: at + 5] + size + data[at + 9 :]
        return data
    if kind == "webp":
        at = data.find(b"VP8X")
        if at > 0:
            size = (
                struct.pack("<I", width & 0xFFFFFF)[:3] + struct.pack("<I", height & 0xFFFFFF)[:3]
            )
            return data[: at + 12] + size + data[at + 18 :]
        return data
    # A TIFF says it in its directory, and much else: counts, offsets, strips, tiles.
    return _tag(data, rng)


TAGS = (256, 257, 258, 259, 262, 266, 273, 277, 278, 279, 317, 320, 322, 323, 339, 347, 34665)
"""Of TIFF 6.0: sizes, depths, compression, colour, strips, tiles, JPEG tables, EXIF."""


def _tag(data: bytes, rng: random.Random) -> bytes:
    """A random entry of the first directory of a TIFF with another value, count or tag."""
    order = "<" if data[:2] == b"II" else ">"
    if len(data) < 8:
        return data
    start = struct.unpack(order + "I", data[4:8])[0]
    if start + 14 > len(data):
        return data
    entries = struct.unpack(order + "H", data[start : start + 2])[0]
    at = start + 2 + 12 * rng.randrange(max(1, entries))
    where, shape = rng.choice(((0, "H"), (2, "H"), (4, "I"), (8, "I"), (8, "I")))
    tags = (
        256,
        257,
        258,
        259,
        262,
        266,
        273,
        277,
        278,
        279,
        317,
        320,
        322,
        323,
        339,
        347,
        700,
        34665,
    )
    value = rng.choice(tags) if where == 0 else rng.choice(SIZES)
    value &= 0xFFFF if shape == "H" else 0xFFFFFFFF
    packed = struct.pack(order + shape, value)
    return data[: at + where] + packed + data[at + where + len(packed) :]


CHANGES: tuple[Callable[[bytes, random.Random, str], bytes], ...] = (
    _cut, _flip, _flip, _overwrite, _header, _move, _splice, _resize, _resize,
)  # fmt: skip


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def _png_bomb(rng: random.Random) -> bytes:
    """Kilobytes that unpack to tens or hundreds of megabytes, or claim to."""
    side, colour = rng.choice((4000, 9000, 16_000, 60_000)), rng.choice((0, 2, 3, 4, 6))
    depth = 8 if colour in (3,) else rng.choice((8, 16))
    head = _chunk(b"IHDR", struct.pack(">IIBBBBB", side, side, depth, colour, 0, 0, 0))
    zeros = zlib.compress(bytes(30_000_000), 9)
    kind = rng.choice((b"zTXt", b"iCCP", b"IDAT"))
    extra = _chunk(kind, b"a\0\0" + zeros) if kind != b"IDAT" else b""
    body = _chunk(b"PLTE", bytes(6)) + extra + _chunk(b"IDAT", zeros)
    return MAGIC[0] + head + body * rng.choice((1, 3)) + _chunk(b"IEND", b"")


@cache
def _flat(kind: str, mode: str, side: int, **how: Any) -> bytes:
    return saved(Image.new(mode, (side, side)), kind, **how)


def _large(kind: str) -> Callable[[random.Random], bytes]:
    def bomb(rng: random.Random) -> bytes:
        return _flat(kind, rng.choice(("L", "RGB")), rng.choice((3000, 6000)))

    return bomb


def _tiff_bomb(rng: random.Random) -> bytes:
    packed = _flat("tiff", rng.choice(("1", "RGB")), 4000)
    return _resize(packed, rng, "tiff")


def _many_frames(rng: random.Random) -> bytes:
    buffer = io.BytesIO()
    tiny = Image.new("1", (20, 20))
    tiny.save(buffer, "tiff", save_all=True, append_images=[tiny] * rng.choice((50, 300)))
    return buffer.getvalue()


BOMBS: dict[str, tuple[Callable[[random.Random], bytes], ...]] = {
    "png": (_png_bomb,), "jpeg": (_large("jpeg"),), "tiff": (_tiff_bomb, _many_frames),
    "webp": (_large("webp"),),
}  # fmt: skip

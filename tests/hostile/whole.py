"""Whole picture files of each format, from which damaged ones are made."""

from __future__ import annotations

import io
from functools import cache
from typing import Any

import numpy as np
from PIL import Image

KINDS = ("png", "jpeg", "tiff", "webp")
MAGIC = (
    b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff\xe0", b"\xff\xd8\xff\xe1", b"II*\x00", b"MM\x00*",
    b"II+\x00", b"RIFF\x00\x10\x00\x00WEBP", b"GIF89a", b"BM", b"%PDF-1.4", b"P6 1 1 255 ",
)  # fmt: skip
MODES = {
    "png": ("1", "L", "LA", "P", "RGB", "RGBA", "I;16"),
    "jpeg": ("L", "RGB", "CMYK"),
    "tiff": ("1", "L", "P", "LA", "RGB", "RGBA", "CMYK", "LAB", "YCbCr", "I;16", "I", "F"),
    "webp": ("RGB", "RGBA"),
}


def goes_with(mode: str, compression: str) -> bool:
    """Whether TIFF has this mode so compressed; where it has not, Pillow 12.3 dies of a
    segmentation fault and later ones refuse."""
    if compression == "jpeg":
        return mode not in ("1", "P", "I;16", "I", "F")
    return compression != "group4" or mode == "1"


@cache
def bases(kind: str) -> tuple[bytes, ...]:
    """Whole files: every mode, several frames, EXIF blocks, compressions."""
    return tuple(saved(_picture(mode), kind, **how) for mode in MODES[kind] for how in _ways(kind))


def _picture(mode: str) -> Image.Image:
    values = np.random.default_rng(len(mode)).integers(0, 255, (40, 56, 3), dtype=np.uint8)
    image = Image.fromarray(values)
    if mode == "I;16":
        return Image.fromarray(values[..., 0].astype(np.uint16) * 257)
    if mode in ("LA", "1", "P", "LAB"):
        return image.convert("L" if mode == "LA" else "RGB").convert(mode) if mode != "LAB" else (
            Image.merge("LAB", image.split()))  # fmt: skip
    return image.convert(mode)


def _ways(kind: str) -> list[dict[str, Any]]:
    exif = Image.Exif()
    exif[274], exif[270], exif[0x8769] = 6, "x" * 50, {36867: "2020:01:01 00:00:00"}
    ways: list[dict[str, Any]] = [{}, {"exif": exif.tobytes()}, {"frames": 3}]
    if kind == "tiff":
        names = (
            "tiff_lzw",
            "tiff_adobe_deflate",
            "packbits",
            "jpeg",
            "group4",
            "zstd",
            "tiff_lzma",
        )
        ways = [{}, {"frames": 3}, *({"compression": name} for name in names)]
    if kind == "jpeg":
        ways = [*ways[:2], {"progressive": True}, {"comment": b"c" * 300, "restart_marker_rows": 1}]
    if kind == "webp":
        ways.append({"lossless": True})
    return ways


def saved(image: Image.Image, kind: str, frames: int = 1, **how: Any) -> bytes:
    buffer = io.BytesIO()
    if frames > 1:
        more = [image.rotate(90 * k) for k in range(1, frames)]
        how |= {"save_all": True, "append_images": more}
    if not goes_with(image.mode, how.get("compression", "")):
        return saved(image, kind)
    try:
        image.save(buffer, kind, **how)
    except (OSError, ValueError, RuntimeError, SystemError, KeyError):
        return saved(image, kind)  # Not every mode goes with every compression.
    return buffer.getvalue()

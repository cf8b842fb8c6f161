"""Read a page image: PNG, JPEG, TIFF or WebP, or an array, as upright 8-bit grey or RGB.

Pillow reads the header and refuses bombs and damage (OpenCV decodes a 48 kB bomb into gigabytes and
returns nothing on damage); every depth and colour mode takes an explicit path, since Pillow clips
16-bit pictures to white when it converts them.
"""

from __future__ import annotations

import hashlib
import io
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageOps, UnidentifiedImageError

from crownlet.infer.errors import FileFault
from crownlet.infer.records import ImageFacts

MAX_PIXELS = 300_000_000
"""Largest page read; a Torah column at 1200 dpi has about 100 megapixels."""
MIN_SIDE = 17
"""A side shorter than the smallest letter cannot hold one."""
FORMATS = ("PNG", "JPEG", "TIFF", "WEBP")

Pixels = npt.NDArray[np.uint8]
_PILLOW = threading.Lock()


class PageError(FileFault):
    """A page that cannot be inspected: `path` names it, `reason` says why, in one sentence."""


@dataclass(frozen=True)
class PageImage:
    """Upright pixels, (H, W) or (H, W, 3) RGB uint8, with what is known of them."""

    pixels: Pixels
    facts: ImageFacts


def read_page(source: str | Path | npt.NDArray[Any], name: str = "array") -> PageImage:
    """Read a page from a file or take it from an array; PageError says why not."""
    if isinstance(source, np.ndarray):
        return _from_array(source, name)
    path = Path(source)
    data = _bytes_of(path)
    image = _decode(path, data)
    with image:
        width, height = image.size
        facts = ImageFacts(
            path=str(path), width=width, height=height, mode=image.mode,
            format=image.format or "", dpi=_dpi(image),
            frames=_frames(image), sha256=hashlib.sha256(data).hexdigest(),
        )  # fmt: skip
        pixels = _upright_pixels(path, image)
    facts = ImageFacts(**{**facts.__dict__, "width": pixels.shape[1], "height": pixels.shape[0]})
    return PageImage(pixels, facts)


def _bytes_of(path: Path) -> bytes:
    try:
        if path.is_dir():
            raise PageError(path, "is a folder, not an image file.")
        data = path.read_bytes()
    except FileNotFoundError:
        raise PageError(path, "there is no such file.") from None
    except OSError as error:
        raise PageError(path, f"cannot be read ({error.strerror or error}).") from None
    if not data:
        raise PageError(path, "the file is empty.")
    return data


@contextmanager
def _limits() -> Iterator[None]:
    """Our own size limit in Pillow for the time of one opening, others' settings put back."""
    with _PILLOW, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        before = Image.MAX_IMAGE_PIXELS
        Image.MAX_IMAGE_PIXELS = MAX_PIXELS
        try:
            yield
        finally:
            Image.MAX_IMAGE_PIXELS = before


def _decode(path: Path, data: bytes) -> Image.Image:
    """Open and check the header first, then decode; every kind of damage becomes a PageError."""
    try:
        with _limits():
            image = Image.open(io.BytesIO(data), formats=FORMATS)
    except UnidentifiedImageError:
        raise PageError(path, "is not a PNG, JPEG, TIFF or WebP image.") from None
    except Image.DecompressionBombError:
        raise PageError(path, _too_large(None)) from None
    except Exception as error:
        raise PageError(path, f"is damaged and cannot be opened ({_cause(error)}).") from None
    width, height = image.size
    if width * height > MAX_PIXELS:
        raise PageError(path, _too_large((width, height)))
    if min(width, height) < MIN_SIDE:
        raise PageError(path, f"the picture is too small ({width} x {height} px).")
    try:
        image.load()
    except MemoryError:
        raise PageError(path, "the picture does not fit into memory.") from None
    except Exception as error:
        # Pillow's plugins raise OSError, SyntaxError, ValueError, struct.error ... on damage.
        text = _cause(error)
        cut = any(word in text.lower() for word in ("truncated", "broken data", "unexpected end"))
        cut = cut or "not enough" in text.lower() or "incomplete" in text.lower()
        what = "the file is cut off" if cut else "the picture is damaged"
        raise PageError(path, f"{what} ({text}).") from None
    return image


def _too_large(size: tuple[int, int] | None) -> str:
    limit = MAX_PIXELS // 1_000_000
    here = f"{size[0]} x {size[1]} px" if size else "by its header more than twice that"
    return f"the picture is too large ({here}; at most {limit} megapixels are read)."


def _cause(error: Exception) -> str:
    return " ".join(str(error).split())[:160].rstrip(".") or type(error).__name__


def _frames(image: Image.Image) -> int:
    """Pictures in the file; 1 where damage behind the first keeps the others from being counted."""
    try:
        return int(getattr(image, "n_frames", 1))
    except Exception:
        return 1


def _dpi(image: Image.Image) -> float | None:
    try:
        value = float(image.info["dpi"][0])
    except (KeyError, TypeError, ValueError, IndexError, ZeroDivisionError):
        return None
    return round(value, 1) if 72 < value < 20_000 else None


def _upright_pixels(path: Path, image: Image.Image) -> Pixels:
    # An unreadable EXIF block is no reason to refuse the picture: it stays as it is.
    with suppress(Exception):
        image = ImageOps.exif_transpose(image)
    try:
        return _to_eight_bits(image)
    except MemoryError:
        raise PageError(path, "the picture does not fit into memory.") from None
    except (ValueError, OSError) as error:
        raise PageError(
            path, f"its colour mode {image.mode} cannot be read ({_cause(error)})."
        ) from None


def _to_eight_bits(image: Image.Image) -> Pixels:
    """Any Pillow mode as (H, W) or (H, W, 3) uint8."""
    mode = image.mode
    if mode.startswith("I") or mode == "F":
        return _scaled(np.asarray(image))
    if mode in ("L", "RGB"):
        return np.asarray(image)
    if mode == "1":
        return np.asarray(image.convert("L"))
    if mode in ("LA", "La", "PA", "RGBA", "RGBa") or "transparency" in image.info:
        return _over_white(np.asarray(image.convert("RGBA")))
    return np.asarray(image.convert("RGB"))


def _scaled(values: npt.NDArray[Any]) -> Pixels:
    """Deep grey values brought to 0..255: scaled by the depth they use, never clipped."""
    finite = np.nan_to_num(values.astype(np.float32))
    low, top = float(finite.min()), float(finite.max())
    if values.dtype.kind == "f" or low < 0 or top > 65535:
        span = max(top - low, 1e-6)
        return ((finite - low) * (255.0 / span)).astype(np.uint8)
    depth = next(bits for bits in (8, 10, 12, 14, 16) if top < 2**bits)
    return (finite * (255.0 / (2**depth - 1))).astype(np.uint8)


def _over_white(rgba: Pixels) -> Pixels:
    """RGBA laid over white, row block by row block so that no float copy of the page is made."""
    out = np.empty((*rgba.shape[:2], 3), np.uint8)
    for top in range(0, len(rgba), 256):
        block = rgba[top : top + 256].astype(np.uint16)
        alpha = block[..., 3:]
        out[top : top + 256] = (block[..., :3] * alpha + 255 * (255 - alpha) + 127) // 255
    return out


def _from_array(array: npt.NDArray[Any], name: str) -> PageImage:
    shape = array.shape
    if array.ndim not in (2, 3) or (array.ndim == 3 and shape[2] not in (1, 3, 4)):
        raise PageError(name, f"an array of shape {shape} is not a grey or RGB picture.")
    if array.dtype not in (np.uint8, np.uint16, np.bool_):
        raise PageError(name, f"an array of {array.dtype} is not a picture of 8 or 16 bits.")
    if 0 in shape:
        raise PageError(name, "the array is empty.")
    if min(shape[:2]) < MIN_SIDE:
        raise PageError(name, f"the picture is too small ({shape[1]} x {shape[0]} px).")
    if shape[0] * shape[1] > MAX_PIXELS:
        raise PageError(name, _too_large((shape[1], shape[0])))
    pixels = array
    if array.dtype == np.uint16:
        pixels = _scaled(array)
    elif array.dtype == np.bool_:
        pixels = array.astype(np.uint8) * 255
    if pixels.ndim == 3 and shape[2] == 1:
        pixels = pixels[..., 0]
    elif pixels.ndim == 3 and shape[2] == 4:
        pixels = _over_white(pixels)
    mode = "L" if pixels.ndim == 2 else "RGB"
    facts = ImageFacts(name, shape[1], shape[0], mode, "array")
    return PageImage(np.ascontiguousarray(pixels), facts)

"""Read a page image: PNG, JPEG, TIFF, WebP, BMP or HEIC, or an array, as upright 8-bit grey or RGB.

Pillow reads the header and refuses decompression bombs and damage (OpenCV decodes a 48 kB bomb into
gigabytes and returns nothing on damage). The memory that a picture will take is computed before it
is decoded. Every mode is converted explicitly, since Pillow clips 16-bit pictures, and block by
block, so that no second copy of a large page is made. The orientation in EXIF is applied.
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

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image, UnidentifiedImageError

from crownlet.datasets.files.depth import scale_to_eight_bits, scale_values, value_range
from crownlet.datasets.files.errors import FileFault
from crownlet.datasets.files.memory import return_free_memory

Gray = npt.NDArray[np.uint8]


Pixels = npt.NDArray[np.uint8]

BLOCK_ROWS = 256
"""Rows converted at a time."""

ORIENTATION_TAG = 274
"""Tag of EXIF 2.3 that holds how the stored picture is oriented."""

ORIENTATION_STEPS = {
    2: (slice(None), slice(None, None, -1), False), 3: (slice(None, None, -1),) * 2 + (False,),
    4: (slice(None, None, -1), slice(None), False), 5: (slice(None), slice(None), True),
    6: (slice(None), slice(None, None, -1), True), 7: (slice(None, None, -1),) * 2 + (True,),
    8: (slice(None, None, -1), slice(None), True),
}  # fmt: skip
"""By orientation: slices of rows and columns, and whether the axes are exchanged before them."""

MAX_PIXELS = 300_000_000
"""Largest page read; a Torah column at 1200 dpi has about 100 megapixels."""

MAX_READING_BYTES = 1_300_000_000
"""Memory that reading one picture may take; with the program itself it stays below 1.5 GB."""

MIN_SIDE_PX = 17
"""Shortest side of a picture: a shorter one cannot hold the smallest letter."""

HEIC_FORMAT, HEIC_SUFFIXES = "HEIF", (".heic", ".heif")
"""Pillow's name of the format, once `heic.py` has registered its reader."""

LARGE_PAGE_PX = 40_000_000
"""Pixels from which a page is read alone, and memory returned to the system afterwards."""

PILLOW_FORMATS = ("PNG", "JPEG", "TIFF", "WEBP", "BMP")

FORMATS_IN_WORDS = "PNG, JPEG, TIFF, WebP, BMP or HEIC"

PICTURE_SUFFIXES = (
    ".png", ".jpg", ".jpeg", ".tif", ".tiff", ".webp", ".bmp", *HEIC_SUFFIXES,
)  # fmt: skip
"""Endings of the names of pictures; what a file is, its first bytes decide."""

PDF_SUFFIX = ".pdf"
"""Its pages are taken out as pictures by `pdf.py`."""

_PILLOW_LOCK = threading.Lock()


def to_gray(image: npt.NDArray[np.uint8]) -> Gray:
    """Luminance of an (H, W) or (H, W, 3) RGB uint8 image, as (H, W) uint8."""
    if image.ndim == 2:
        return image
    return np.asarray(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY), np.uint8)


def rgb_to_gray_by_block(image: Image.Image) -> Gray:
    """`to_gray` of an RGB Pillow image, without a whole copy of it in colour."""
    gray = np.empty((image.height, image.width), np.uint8)
    for top, block in _blocks(image):
        gray[top : top + block.height] = to_gray(np.asarray(block))
    return gray


@dataclass(frozen=True)
class ImageFacts:
    """What is known of the picture itself."""

    path: str
    width: int
    height: int
    mode: str
    format: str
    dpi: float | None = None
    frames: int = 1
    sha256: str = ""


def bytes_per_pixel(image: Image.Image) -> int:
    """Bytes of memory that each pixel of a picture takes at most while it is read.

    Measured with Pillow 13 on pictures of 40 megapixels: what Pillow holds, what the format's own
    decoder holds beside it, and then the array made of it.
    """
    mode, kind = image.mode, image.format
    held = 1 if mode in ("1", "L", "P") else 2 if mode.startswith("I;16") else 4
    out = 1 if mode in ("1", "L") or mode[0] in "IF" else 3
    beside = 0
    if kind == "WEBP":
        beside = 12
    elif kind == "TIFF":
        beside = held  # One strip may be the whole picture.
    elif kind == HEIC_FORMAT:
        beside = 6
    elif kind == "JPEG" and image.info.get("progressive"):
        beside = 2 * len(image.getbands())  # Coefficients of all scans.
    return max(held + beside, held + out)


def to_eight_bits(image: Image.Image) -> Pixels:
    """A loaded picture of any Pillow mode as (H, W) or (H, W, 3) uint8."""
    mode = image.mode
    if mode[0] in "IF":
        return _scale_image(image)
    if mode in ("1", "L"):
        return _convert_image(image, "L")
    if mode in ("LA", "La", "PA", "RGBA", "RGBa") or "transparency" in image.info:
        return _convert_image(image, "RGBA")
    return _convert_image(image, "RGB")


def _blocks(image: Image.Image) -> Iterator[tuple[int, Image.Image]]:
    """The picture from top to bottom: the first row of each block, and the block."""
    width, height = image.size
    for top in range(0, height, BLOCK_ROWS):
        yield top, image.crop((0, top, width, min(top + BLOCK_ROWS, height)))


def _convert_image(image: Image.Image, mode: str) -> Pixels:
    """Grey, RGB, or RGBA blended over white."""
    shape = (image.height, image.width)
    out = np.empty(shape if mode == "L" else (*shape, 3), np.uint8)
    for top, block in _blocks(image):
        values = np.asarray(block if block.mode == mode else block.convert(mode))
        out[top : top + len(values)] = blend_over_white(values) if mode == "RGBA" else values
    return out


def _scale_image(image: Image.Image) -> Pixels:
    limits = [value_range(np.asarray(block)) for _, block in _blocks(image)]
    low, top = min(one[0] for one in limits), max(one[1] for one in limits)
    out = np.empty((image.height, image.width), np.uint8)
    for row, block in _blocks(image):
        values = np.asarray(block)
        out[row : row + len(values)] = scale_values(values, low, top)
    return out


def blend_over_white(rgba: Pixels) -> Pixels:
    """RGBA (H, W, 4) blended over white, in blocks of rows so that no wide copy is made."""
    out = np.empty((*rgba.shape[:2], 3), np.uint8)
    for top in range(0, len(rgba), BLOCK_ROWS):
        block = rgba[top : top + BLOCK_ROWS].astype(np.uint16)
        alpha = block[..., 3:]
        out[top : top + BLOCK_ROWS] = (block[..., :3] * alpha + 255 * (255 - alpha) + 127) // 255
    return out


def read_orientation(image: Image.Image) -> int:
    """The EXIF orientation; 1 where the block cannot be read: no reason to refuse the picture."""
    with suppress(Exception):
        return int(image.getexif().get(ORIENTATION_TAG, 1))
    return 1


def apply_orientation(pixels: Pixels, turn: int) -> Pixels:
    """The pixels upright; `turn` is the EXIF orientation, 1 to 8 (other values change nothing)."""
    if turn not in ORIENTATION_STEPS:
        return pixels
    rows, columns, exchanged = ORIENTATION_STEPS[turn]
    turned = pixels.swapaxes(0, 1) if exchanged else pixels
    return np.ascontiguousarray(turned[rows, columns])


class PageError(FileFault):
    """A page that cannot be inspected: `path` names it, `reason` says why, in one sentence."""


@dataclass(frozen=True)
class PageImage:
    """Upright pixels, (H, W) or (H, W, 3) RGB uint8, with what is known of them."""

    pixels: Pixels
    facts: ImageFacts


def read_page(
    source: str | Path | npt.NDArray[Any], name: str = "array", colour: bool = True
) -> PageImage:
    """A page from a file or an array, RGB files as grey if not `colour`; PageError if unusable."""
    if isinstance(source, np.ndarray):
        return _from_array(source, name)
    path = Path(source)
    data = _read_bytes(path)
    with _decode(path, data) as image:
        mode, kind, dpi, turn = (
            image.mode,
            image.format or "",
            _read_dpi(image),
            read_orientation(image),
        )
        pixels = _read_pixels(path, image, colour)
        frames = _count_frames(image)
    pixels = apply_orientation(pixels, turn)
    height, width = pixels.shape[:2]
    del image
    if height * width > LARGE_PAGE_PX:
        return_free_memory()
    checksum = hashlib.sha256(data).hexdigest()
    return PageImage(
        pixels, ImageFacts(str(path), width, height, mode, kind, dpi, frames, checksum)
    )


def _read_bytes(path: Path) -> bytes:
    try:
        str(path).encode()
        if path.is_dir():
            raise PageError(path, "is a folder, not an image file.")
        if path.exists() and not path.is_file():
            raise PageError(path, "is no file.")
        if path.exists() and (size := path.stat().st_size) > MAX_READING_BYTES:
            # Asked before anything is read: a sparse file of any size takes no room on a disk.
            most = MAX_READING_BYTES / 1e9
            raise PageError(
                path, f"the file is too large ({size / 1e9:.1f} GB; at most {most:.1f} GB)."
            )
        data = path.read_bytes()
    except UnicodeEncodeError:
        raise PageError(path, "its name is not in UTF-8; give it another.") from None
    except ValueError as error:
        raise PageError(path, f"cannot be the name of a file ({_error_text(error)}).") from None
    except FileNotFoundError:
        raise PageError(path, "there is no such file.") from None
    except OSError as error:
        raise PageError(path, f"cannot be read ({error.strerror or error}).") from None
    if not data:
        raise PageError(path, "the file is empty.")
    return data


@contextmanager
def _pixel_limit() -> Iterator[None]:
    """Set our size limit in Pillow while one file is opened, then restore the former setting."""
    with _PILLOW_LOCK, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        before = Image.MAX_IMAGE_PIXELS
        Image.MAX_IMAGE_PIXELS = MAX_PIXELS
        try:
            yield
        finally:
            Image.MAX_IMAGE_PIXELS = before


def _decode(path: Path, data: bytes) -> Image.Image:
    """Open and check the header first, then decode; every kind of damage becomes a PageError."""
    formats = _formats_of(path, data)
    try:
        with _pixel_limit():
            image = Image.open(io.BytesIO(data), formats=formats)
    except UnidentifiedImageError:
        unknown = formats == PILLOW_FORMATS
        raise PageError(path, _unknown_format(data) if unknown else "is damaged.") from None
    except Image.DecompressionBombError:
        raise PageError(path, _size_reason(None)) from None
    except Exception as error:
        raise PageError(path, f"is damaged and cannot be opened ({_error_text(error)}).") from None
    width, height = image.size
    most = min(MAX_PIXELS, max(0, MAX_READING_BYTES - len(data)) // bytes_per_pixel(image))
    if width * height > most:
        raise PageError(path, _size_reason((width, height), most))
    if min(width, height) < MIN_SIDE_PX:
        raise PageError(path, f"the picture is too small ({width} x {height} px).")
    try:
        image.load()
    except MemoryError:
        raise PageError(path, "the picture does not fit into memory.") from None
    except Exception as error:
        # Pillow's plugins raise OSError, SyntaxError, ValueError, struct.error ... on damage.
        text = _error_text(error)
        cut = any(word in text.lower() for word in ("truncated", "broken data", "unexpected end"))
        cut = cut or "not enough" in text.lower() or "incomplete" in text.lower()
        what = "the file is cut off" if cut else "the picture is damaged"
        raise PageError(path, f"{what} ({text}).") from None
    return image


def _formats_of(path: Path, data: bytes) -> tuple[str, ...]:
    """The formats that a file may have; PageError for HEIC without its reader."""
    if data[4:8] != b"ftyp":
        return PILLOW_FORMATS
    from crownlet.datasets.files.heic import NO_HEIC_READER, enable_heic, is_heic

    if not is_heic(data):
        return PILLOW_FORMATS
    if not enable_heic():
        raise PageError(path, NO_HEIC_READER)
    return (HEIC_FORMAT,)


def _unknown_format(data: bytes) -> str:
    if data.startswith(b"%PDF-"):
        return "is a PDF; `crownlet inspect` and `crownlet open` take its pages out as pictures."
    return f"is not a {FORMATS_IN_WORDS} image."


def _size_reason(size: tuple[int, int] | None, most: int = MAX_PIXELS) -> str:
    here = f"{size[0]} x {size[1]} px" if size else "by its header more than twice that"
    return (
        f"the picture is too large ({here}; at most {most // 1_000_000} megapixels of this kind "
        "are read)."
    )


def _error_text(error: Exception) -> str:
    return " ".join(str(error).split())[:160].rstrip(".") or type(error).__name__


def _count_frames(image: Image.Image) -> int:
    """Pictures in the file; 1 where damage behind the first keeps the others from being counted."""
    try:
        with _pixel_limit():
            return int(getattr(image, "n_frames", 1))
    except Exception:
        return 1


def _read_dpi(image: Image.Image) -> float | None:
    try:
        value = float(image.info["dpi"][0])
    except (KeyError, TypeError, ValueError, IndexError, ZeroDivisionError):
        return None
    return round(value, 1) if 72 < value < 20_000 else None


def _read_pixels(path: Path, image: Image.Image, colour: bool) -> Pixels:
    try:
        if image.mode == "RGB" and not colour and "transparency" not in image.info:
            return rgb_to_gray_by_block(image)
        return to_eight_bits(image)
    except MemoryError:
        raise PageError(path, "the picture does not fit into memory.") from None
    except Exception as error:
        raise PageError(
            path, f"its colour mode {image.mode} cannot be read ({_error_text(error)})."
        ) from None


def _from_array(array: npt.NDArray[Any], name: str) -> PageImage:
    shape = array.shape
    if array.ndim not in (2, 3) or (array.ndim == 3 and shape[2] not in (1, 3, 4)):
        raise PageError(name, f"an array of shape {shape} is not a grey or RGB picture.")
    if array.dtype not in (np.uint8, np.uint16, np.bool_):
        raise PageError(name, f"an array of {array.dtype} is not a picture of 8 or 16 bits.")
    if 0 in shape:
        raise PageError(name, "the array is empty.")
    if min(shape[:2]) < MIN_SIDE_PX:
        raise PageError(name, f"the picture is too small ({shape[1]} x {shape[0]} px).")
    if shape[0] * shape[1] > MAX_PIXELS:
        raise PageError(name, _size_reason((shape[1], shape[0])))
    pixels = array
    if array.dtype == np.uint16:
        pixels = scale_to_eight_bits(array)
    elif array.dtype == np.bool_:
        pixels = array.astype(np.uint8) * 255
    if pixels.ndim == 3 and shape[2] == 1:
        pixels = pixels[..., 0]
    elif pixels.ndim == 3 and shape[2] == 4:
        pixels = blend_over_white(pixels)
    mode = "L" if pixels.ndim == 2 else "RGB"
    facts = ImageFacts(name, shape[1], shape[0], mode, "array")
    return PageImage(np.ascontiguousarray(pixels), facts)

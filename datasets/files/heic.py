"""HEIC pictures, as phones write them: Pillow opens them through pi-heif, an extra of its own.

Which files are HEIC is decided by the brands in their first box (ISO/IEC 23008-12, annex B). The
limits of `images.py` hold for them as for every other format.
"""

from __future__ import annotations

import threading

NO_HEIC_READER = (
    "is a HEIC picture, which needs one more part of the program: pip install '.[heic]'; or set "
    "the camera to save JPEG."
)

_HEVC_BRANDS = frozenset((b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx"))

_OPEN_BRANDS = frozenset((b"mif1", b"msf1"))
"""Brands that leave the coding open: a compatible brand then names it."""

_LOCK = threading.Lock()


def is_heic(data: bytes) -> bool:
    """Whether a file begins as an HEIC picture."""
    if data[4:8] != b"ftyp":
        return False
    end = min(int.from_bytes(data[:4], "big"), 256)
    compatible = {data[at : at + 4] for at in range(16, end, 4)}
    major = data[8:12]
    return major in _HEVC_BRANDS or (major in _OPEN_BRANDS and bool(compatible & _HEVC_BRANDS))


def enable_heic() -> bool:
    """Register the reader with Pillow; False where pi-heif is not installed."""
    try:
        import pi_heif
    except ImportError:
        return False
    with _LOCK:
        pi_heif.register_heif_opener(thumbnails=False, depth_images=False, aux_images=False)
    return True

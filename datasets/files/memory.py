"""Memory that the C library keeps after it was freed, returned to the system."""

from __future__ import annotations

import contextlib
import ctypes
import sys


def return_free_memory() -> None:
    """Return freed memory to the system, where the C library can (malloc_trim(3)).

    Pillow decodes into blocks of 16 MB, which the allocator keeps for each thread: a page of 150
    megapixels leaves 600 MB behind, and two threads twice that.
    """
    if sys.platform.startswith("linux"):
        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).malloc_trim(0)

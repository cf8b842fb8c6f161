"""Threads of the libraries beside ONNX Runtime: one each.

A page's arrays are small: on two cores further threads of OpenBLAS or OpenCV gain nothing, and wait
in loops meanwhile: those of OpenBLAS up to 0.3 s of processor time a page where other programs use
the cores.
"""

from __future__ import annotations

import os


def limit_blas_threads() -> None:
    """Linear algebra in one thread, unless the user set a number; new processes inherit it.

    Without effect once NumPy is imported.
    """
    if "OMP_NUM_THREADS" not in os.environ:
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def limit_opencv_threads() -> None:
    """OpenCV in one thread."""
    import cv2

    cv2.setNumThreads(1)

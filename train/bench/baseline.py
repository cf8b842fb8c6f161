"""Tesseract with its model for the Hebrew script on the same page: time, and letter error rate."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from pathlib import Path

from rapidfuzz.distance import Levenshtein

from crownlet.datasets.scribal.alphabet import LETTERS

TESSERACT_MODELS = ("script/Hebrew", "Hebrew")
"""Names of the script model, as Tesseract and as Debian's `tesseract-ocr-script-hebr` call it."""

PAGE_SEGMENTATION = "6"
"""Page segmentation as one block of text, which is what a mezuzah is and costs least."""


def tesseract_version() -> str | None:
    """Version of the Tesseract on this machine, None where it or its Hebrew model is missing."""
    if tesseract_model() is None:
        return None
    run = subprocess.run(["tesseract", "--version"], capture_output=True, text=True)
    return (run.stdout or run.stderr).splitlines()[0].split()[-1]


def tesseract_model() -> str | None:
    """The installed script model, None where there is none."""
    if shutil.which("tesseract") is None:
        return None
    listed = subprocess.run(["tesseract", "--list-langs"], capture_output=True, text=True)
    names = (listed.stdout + listed.stderr).split()
    return next((name for name in TESSERACT_MODELS if name in names), None)


def read_with_tesseract(page: Path) -> tuple[str, float]:
    """Text of a page, and the seconds from the start of the process to its end."""
    start = time.perf_counter()
    run = subprocess.run(_tesseract_command(page), capture_output=True, text=True, check=True)
    return run.stdout, time.perf_counter() - start


def start_tesseract(page: Path, threads: int) -> subprocess.Popen[bytes]:
    """Tesseract at work on a page, in so many threads, its text thrown away."""
    quiet = subprocess.DEVNULL
    environment = os.environ | {"OMP_THREAD_LIMIT": str(threads)}
    return subprocess.Popen(_tesseract_command(page), stdout=quiet, stderr=quiet, env=environment)


def _tesseract_command(page: Path) -> list[str]:
    name = tesseract_model()
    if name is None:
        raise FileNotFoundError("Tesseract's Hebrew script model is not installed.")
    return ["tesseract", str(page), "stdout", "-l", name, "--psm", PAGE_SEGMENTATION]


def keep_letters(text: str) -> str:
    """The 27 letters of a text, in order; points, signs and spaces left out."""
    return "".join(letter for letter in text if letter in LETTERS)


def error_rate(read: str, written: str) -> float:
    """Edits (letters put in, left out, exchanged; Levenshtein 1966) per letter of `written`."""
    return Levenshtein.distance(read, written) / len(written)

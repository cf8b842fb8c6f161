"""Thousands of damaged files through `read_page`, in processes with limits of memory and time.

    python tests/hostile/fuzz_pages.py --files 5000

prints, for each format: files, how many were read and refused, the slowest, the peak of memory, and
every file that crashed, hung, took too much memory or was refused without a clear sentence, by its
number: `mutants.mutant(kind, number)` makes it again.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from functools import partial
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))
import mutants
from counting import count_cases, measured, peak, time_limit

NAMES = ("page", "שמע א", "a b;c,d", "q" * 200, "line\nbreak", "'\"`$(x)", "%s%n")


def unclear(path: Path, text: str) -> bool:
    """Whether a refusal is anything but one sentence that names the file."""
    named = text.startswith(str(path).replace("\n", "\ufffd") + ": ")
    return not (named and text.endswith(".") and "\n" not in text and len(text) < 700)


def one(path: Path) -> str:
    """What becomes of a file: `read`, `refused`, or what is wrong with that."""
    from crownlet.datasets.files.images import PageError, read_page

    try:
        with time_limit():
            pixels = read_page(path).pixels
        fine = pixels.dtype == "uint8" and pixels.ndim in (2, 3) and min(pixels.shape[:2]) > 0
        return "read" if fine else f"read as {pixels.dtype} {pixels.shape}"
    except PageError as error:
        return f"unclear: {error}" if unclear(path, str(error)) else "refused"
    except TimeoutError:
        return "slow"
    except BaseException as error:
        return f"crashed: {error!r}"


def worker(kind: str, first: int, count: int) -> None:
    """Read the files in this process, one line of JSON each."""
    with tempfile.TemporaryDirectory() as folder:
        for number in range(first, first + count):
            path = Path(folder) / f"{NAMES[number % len(NAMES)]}.{kind}"
            path.write_bytes(mutants.mutant(kind, number))
            print(json.dumps(measured(number, partial(one, path))), flush=True)


LARGEST = (
    ("png", "L", 17_200), ("png", "RGB", 13_500), ("png", "RGBA", 13_500), ("tiff", "RGB", 12_600),
    ("tiff", "I;16", 17_200), ("webp", "RGB", 8_900), ("jpeg", "RGB", 13_500), ("png", "L", 17_400),
    ("png", "RGB", 13_700),
)  # fmt: skip
"""Flat pictures just below the limits of size, the last two above."""


def largest(kind: str, mode: str, side: int) -> dict[str, Any]:
    """What a picture at the limit takes; its file is small, as a bomb's is."""
    from PIL import Image

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"large.{kind}"
        how = {"compression": "tiff_lzw"} if kind == "tiff" else {}
        Image.new(mode, (side, side)).save(path, **how)
        command = [sys.executable, __file__, "--path", str(path)]
        answer: dict[str, Any] = json.loads(subprocess.check_output(command, text=True))
        return {"format": kind, "mode": mode, "side": side, "file": path.stat().st_size} | answer


def read_path(path: Path) -> None:
    """One file in this process."""
    start = time.process_time()
    what = one(path)
    seconds = round(time.process_time() - start, 2)
    print(json.dumps({"what": what, "seconds": seconds, "peak_mb": round(peak() / 1e6)}))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=5000, help="of each format")
    parser.add_argument("--first", type=int, default=0, help="number of the first of each format")
    parser.add_argument("--kind", choices=mutants.KINDS, action="append")
    parser.add_argument("--largest", action="store_true", help="only pictures at the limits")
    parser.add_argument("--worker", nargs=3, help=argparse.SUPPRESS)
    parser.add_argument("--path", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.worker:
        kind, first, count = options.worker
        worker(kind, int(first), int(count))
        return 0
    if options.path:
        read_path(options.path)
        return 0
    wrong = 0
    for case in LARGEST if options.largest else ():
        print(json.dumps(largest(*case)), flush=True)
    for kind in () if options.largest else options.kind or mutants.KINDS:
        figures = count_cases(Path(__file__), kind, options.files, options.first)
        wrong += len(figures["bad"])
        print(json.dumps(figures), flush=True)
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())

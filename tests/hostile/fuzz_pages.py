"""Thousands of damaged files through `read_page`, in processes with limits of memory and time.

    python tests/hostile/fuzz_pages.py --files 5000

prints, for each format: files, how many were read and refused, the slowest, the peak of memory, and
every file that crashed, hung, took too much memory or was refused without a clear sentence, by its
number: `mutants.mutant(kind, number)` makes it again.
"""

from __future__ import annotations

import argparse
import json
import re
import resource
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))
import mutants

SECONDS = 10
MEMORY = 1_500_000_000
ADDRESSES = 6 << 30
"""A runaway is ended here; libraries reserve more addresses than they fill."""
NAMES = ("page", "שמע א", "a b;c,d", "q" * 200, "line\nbreak", "'\"`$(x)", "%s%n")


def peak() -> int:
    """Bytes of memory that this process has filled at most (`VmHWM`, proc(5))."""
    line = re.search(r"VmHWM:\s+(\d+) kB", Path("/proc/self/status").read_text())
    return int(line[1]) * 1024 if line else 0


def unclear(path: Path, text: str) -> bool:
    """Whether a refusal is anything but one sentence that names the file."""
    named = text.startswith(str(path).replace("\n", "\ufffd") + ": ")
    return not (named and text.endswith(".") and "\n" not in text and len(text) < 700)


def one(path: Path) -> str:
    """What becomes of a file: `read`, `refused`, or what is wrong with that."""
    from crownlet.datasets.files.images import PageError, read_page

    signal.alarm(SECONDS)
    try:
        pixels = read_page(path).pixels
        fine = pixels.dtype == "uint8" and pixels.ndim in (2, 3) and min(pixels.shape[:2]) > 0
        return "read" if fine else f"read as {pixels.dtype} {pixels.shape}"
    except PageError as error:
        return f"unclear: {error}" if unclear(path, str(error)) else "refused"
    except TimeoutError:
        return "slow"
    except BaseException as error:
        return f"crashed: {error!r}"
    finally:
        signal.alarm(0)


def worker(kind: str, first: int, count: int) -> None:
    """Read the files in this process, one line of JSON each."""

    def slow(*_: object) -> None:
        raise TimeoutError

    signal.signal(signal.SIGALRM, slow)
    with tempfile.TemporaryDirectory() as folder:
        for number in range(first, first + count):
            data = mutants.mutant(kind, number)
            path = Path(folder) / f"{NAMES[number % len(NAMES)]}.{kind}"
            path.write_bytes(data)
            before, start = peak(), time.perf_counter()
            what = one(path)
            row = {"number": number, "what": what, "seconds": time.perf_counter() - start}
            print(json.dumps(row | {"peak": peak(), "grew": peak() - before}), flush=True)


def limits() -> None:
    """Before a worker begins: no runaway takes the machine with it."""
    resource.setrlimit(resource.RLIMIT_AS, (ADDRESSES, ADDRESSES))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def batch(kind: str, first: int, count: int) -> list[dict[str, Any]]:
    """Files in a process of their own; where it dies, the file after its last line is at fault."""
    command = [sys.executable, __file__, "--worker", kind, str(first), str(count)]
    ended = subprocess.run(
        command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, preexec_fn=limits,
        timeout=60 + count * SECONDS,
    )  # fmt: skip
    rows = [json.loads(line) for line in ended.stdout.splitlines()]
    if len(rows) < count:
        died = {"number": first + len(rows), "what": f"died: {ended.returncode}", "seconds": 0.0}
        rows.append(died | {"peak": 0, "grew": 0})
        rows += batch(kind, first + len(rows), count - len(rows)) if len(rows) < count else []
    return rows


def fuzz(kind: str, files: int, size: int = 500) -> dict[str, Any]:
    """The figures of one format."""
    rows: list[dict[str, Any]] = []
    for first in range(0, files, size):
        rows += batch(kind, first, min(size, files - first))
    bad = [
        (row["number"], row["what"], round(row["seconds"], 2), row["peak"]) for row in rows
        if row["what"] not in ("read", "refused") or row["seconds"] > SECONDS
        or row["peak"] > MEMORY
    ]  # fmt: skip
    return {
        "format": kind, "files": len(rows), "read": sum(r["what"] == "read" for r in rows),
        "refused": sum(r["what"] == "refused" for r in rows),
        "slowest_s": round(max(r["seconds"] for r in rows), 2),
        "peak_mb": round(max(r["peak"] for r in rows) / 1e6), "bad": bad,
    }  # fmt: skip


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
    signal.signal(signal.SIGALRM, signal.default_int_handler)
    start = time.perf_counter()
    what = one(path)
    seconds = round(time.perf_counter() - start, 2)
    print(json.dumps({"what": what, "seconds": seconds, "peak_mb": round(peak() / 1e6)}))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=5000, help="of each format")
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
        figures = fuzz(kind, options.files)
        wrong += len(figures["bad"])
        print(json.dumps(figures), flush=True)
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())

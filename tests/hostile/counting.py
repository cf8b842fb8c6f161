"""Cases in processes of their own, with limits of memory and time, and what became of them.

A machine that others keep busy is slow by the clock and not by the processor: seconds are those of
the processor, and the clock only ends what waits for ever.
"""

from __future__ import annotations

import contextlib
import json
import re
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

Row = dict[str, Any]

SECONDS = 10
"""Of the processor, all threads together."""

CLOCK_SECONDS = 60

MEMORY = 1_500_000_000

ADDRESSES = 6 << 30
"""A runaway is ended here; libraries reserve more addresses than they fill."""


def peak() -> int:
    """Bytes of memory that this process has filled at most (`VmHWM`, proc(5))."""
    line = re.search(r"VmHWM:\s+(\d+) kB", Path("/proc/self/status").read_text())
    return int(line[1]) * 1024 if line else 0


@contextlib.contextmanager
def time_limit() -> Iterator[None]:
    """TimeoutError in the block that takes longer than `SECONDS` or `CLOCK_SECONDS`."""

    def slow(*_: object) -> None:
        raise TimeoutError

    for number in (signal.SIGPROF, signal.SIGALRM):
        signal.signal(number, slow)
    # The processor's time of the whole process, that of the system included (setitimer(2)).
    signal.setitimer(signal.ITIMER_PROF, SECONDS)
    signal.alarm(CLOCK_SECONDS)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.alarm(0)


def measured(number: int, work: Callable[[], str]) -> Row:
    """One case: what becomes of it (`read`, `refused`, or what is wrong), time, memory."""
    start, clock = time.process_time(), time.perf_counter()
    what = work()
    return {
        "number": number, "what": what, "seconds": time.process_time() - start,
        "clock_s": time.perf_counter() - clock, "peak": peak(),
    }  # fmt: skip


def limit_addresses() -> None:
    """Before a worker begins: no runaway takes the machine with it."""
    resource.setrlimit(resource.RLIMIT_AS, (ADDRESSES, ADDRESSES))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def run_batch(script: Path, kind: str, first: int, count: int) -> list[Row]:
    """Cases of one worker; where it dies, the case after its last line is at fault.

    The script's `--worker KIND FIRST COUNT` prints a line of JSON for each. RuntimeError where it
    fails before the first.
    """
    ended = subprocess.run(
        [sys.executable, str(script), "--worker", kind, str(first), str(count)],
        capture_output=True, text=True, preexec_fn=limit_addresses,
        timeout=600 + count * CLOCK_SECONDS,
    )  # fmt: skip
    rows: list[Row] = [json.loads(x) for x in ended.stdout.splitlines() if x.startswith("{")]
    if len(rows) < count:
        if not rows and ended.returncode == 1:
            raise RuntimeError(ended.stderr)
        died = {"number": first + len(rows), "what": f"died: {ended.returncode}", "peak": 0}
        rows.append(died | {"seconds": 0.0, "clock_s": 0.0})
        if left := count - len(rows):
            rows += run_batch(script, kind, first + len(rows), left)
    return rows


def count_cases(script: Path, kind: str, count: int, first: int = 0, size: int = 500) -> Row:
    """The figures of one kind: cases, what became of them, the slowest, the most memory."""
    rows: list[Row] = []
    for begin in range(first, first + count, size):
        rows += run_batch(script, kind, begin, min(size, first + count - begin))
    bad = [
        {key: round(value, 2) if isinstance(value, float) else value for key, value in row.items()}
        for row in rows
        if row["what"] not in ("read", "refused") or row["seconds"] > SECONDS
        or row["clock_s"] > CLOCK_SECONDS or row["peak"] > MEMORY
    ]  # fmt: skip
    return {
        "kind": kind, "cases": len(rows), "read": sum(row["what"] == "read" for row in rows),
        "refused": sum(row["what"] == "refused" for row in rows),
        "slowest_s": round(max(row["seconds"] for row in rows), 2),
        "slowest_clock_s": round(max(row["clock_s"] for row in rows), 2),
        "peak_mb": round(max(row["peak"] for row in rows) / 1e6), "bad": bad,
    }  # fmt: skip

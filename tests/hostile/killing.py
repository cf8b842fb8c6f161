"""Commands killed with SIGKILL at a moment of their work, and what came of it."""

from __future__ import annotations

import contextlib
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

BUSY = "is writing to it; wait until it has ended."
"""End of the refusal of a folder that another command holds (`crownlet.datasets.files.locks`)."""


@dataclass
class Kills:
    """What came of killing one command again and again."""

    command: str
    killed: int = 0
    at_work: int = 0
    """Kills before the command had ended by itself."""
    finished: int = 0
    """Pages or decisions that stood at the kills, all together."""
    drafts: int = 0
    """Drafts left behind by the kills, all together."""
    wrong: list[str] = field(default_factory=list)


def module(name: str, *arguments: object) -> list[str]:
    """A command line that runs a module."""
    return [sys.executable, "-m", name, *map(str, arguments)]


def crownlet(*arguments: object) -> list[str]:
    """A command line of `crownlet`."""
    return module("crownlet.infer.cli", *arguments)


def finish(command: Sequence[str]) -> float:
    """Run undisturbed to the end; returns the seconds that took."""
    start = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True, timeout=300)
    return time.perf_counter() - start


def end_well(process: subprocess.Popen[str], command: Sequence[str]) -> str:
    """Wait for the end of a command; returns its errors, or nothing where it ended well.

    One that has waited in vain for another to let go of the folder, as on a slow machine, is begun
    again.
    """
    errors, code = process.communicate(timeout=300)[1], process.returncode
    while code and BUSY in errors:
        ended = subprocess.run(command, capture_output=True, text=True, timeout=300)
        errors, code = ended.stderr, ended.returncode
    return errors if code else ""


def descendants(process: int) -> list[int]:
    """Processes begun by a process, and by those (`/proc/PID/task/PID/children`, proc(5))."""
    try:
        text = Path(f"/proc/{process}/task/{process}/children").read_text()
    except OSError:
        return []
    children = [int(word) for word in text.split()]
    return children + [far for child in children for far in descendants(child)]


def alive(process: int) -> bool:
    try:
        state = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state not in "ZX"


def kill_after(command: Sequence[str], seconds: float) -> tuple[bool, list[int]]:
    """Whether the command was still at work when it was killed, and which of its own outlived it.

    Only the command itself is killed: its processes have to notice by themselves, within a minute.
    """
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(seconds)
    at_work, children = process.poll() is None, descendants(process.pid)
    process.kill()
    process.wait(60)
    end = time.monotonic() + 60
    while time.monotonic() < end and any(map(alive, children)):
        time.sleep(0.02)
    return at_work, [child for child in children if alive(child)]

"""What a process writes into a folder, whether it holds the place meanwhile, and whether in place.

Python tells each opening, renaming and removal of a file to an audit hook before it is made ("Audit
events table" of Python's library reference), but not what libraries in C do by themselves: SQLite's
files are seen when they are connected to, and only then.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any

from crownlet.datasets.files import locks
from crownlet.datasets.files.atomic import DRAFT_PREFIX

WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_TRUNC

PLACE_OF = {"os.rename": 1, "os.remove": 0, "sqlite3.connect": 0}
"""Events that write beside `open`, and which of their arguments names the place."""


class WriteWatch:
    """Begun once in a process; `unheld` names what was written outside every held folder, `opened`
    what was opened to be written under the name by which others read it."""

    def __init__(self, under: Path) -> None:
        self._under = under.absolute()
        self._held: list[Path] = []
        self.unheld: dict[str, None] = {}
        self.opened: dict[str, None] = {}
        acquire, release = locks._acquire, locks._release

        def watched_acquire(path: Path, command: str, wait_s: float) -> int:
            descriptor = acquire(path, command, wait_s)
            self._held.append(path)
            return descriptor

        def watched_release(path: Path, descriptor: int) -> None:
            release(path, descriptor)
            self._held.remove(path)

        locks._acquire, locks._release = watched_acquire, watched_release
        sys.addaudithook(self._see)

    def _see(self, event: str, arguments: tuple[Any, ...]) -> None:
        if event == "open":
            if not isinstance(arguments[2], int) or not arguments[2] & WRITING:
                return
            place = arguments[0]
        elif event in PLACE_OF:
            place = arguments[PLACE_OF[event]]
        else:
            return
        if not isinstance(place, str | bytes | os.PathLike):
            return
        path = Path(os.fsdecode(place)).absolute()
        if not path.is_relative_to(self._under) or path.name.startswith(locks.LOCK_PREFIX):
            return
        name = path.relative_to(self._under).as_posix()
        if event == "open" and DRAFT_PREFIX not in name:
            self.opened[name] = None
        if not any(path.is_relative_to(held.parent) for held in self._held):
            self.unheld[name] = None

    def in_place(self) -> list[str]:
        """The files of `opened` that are still there: no reader may find them half written."""
        return [name for name in self.opened if (self._under / name).is_file()]

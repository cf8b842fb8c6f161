"""How a file that cannot be used is named to the user: which one, and why, in one sentence."""

from __future__ import annotations

from pathlib import Path


class FileFault(Exception):
    """A file that cannot be used: `path` names it, `reason` says why."""

    def __init__(self, path: str | Path, reason: str) -> None:
        super().__init__(f"{path}: {reason}")
        self.path = str(path)
        self.reason = reason

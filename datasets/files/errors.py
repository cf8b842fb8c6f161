"""How a file that cannot be used is named to the user: which one, and why, in one sentence."""

from __future__ import annotations

import unicodedata
from pathlib import Path


class FileFault(Exception):
    """A file that cannot be used: `path` names it, `reason` says why."""

    def __init__(self, path: str | Path, reason: str) -> None:
        super().__init__(f"{plain(path)}: {reason}")
        self.path = str(path)
        self.reason = reason

    def __reduce__(self) -> tuple[object, ...]:
        # From one process to another, whatever arguments a kind of fault is made with.
        return _again, (type(self), self.args, dict(self.__dict__))


def _again(
    kind: type[FileFault], arguments: tuple[object, ...], values: dict[str, object]
) -> FileFault:
    fault = kind.__new__(kind)
    fault.args = arguments
    fault.__dict__.update(values)
    return fault


def plain(path: str | Path) -> str:
    """A path that can be printed on one line: line breaks and broken characters as U+FFFD."""
    text = str(path)
    return "".join("\ufffd" if unicodedata.category(c) in _UNPRINTED else c for c in text)


_UNPRINTED = ("Cc", "Cs", "Zl", "Zp")

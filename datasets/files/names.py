"""Names of files that every file system takes."""

from __future__ import annotations

from pathlib import Path

MAX_NAME_BYTES = 200
"""Length of a name; file systems allow 255 bytes, of which endings and checksums take some."""


def cut_name(name: str) -> str:
    """The end of a name, in at most `MAX_NAME_BYTES` of UTF-8."""
    return name.encode("utf-8", "replace")[-MAX_NAME_BYTES:].decode("utf-8", "ignore")


def is_file(path: str | Path) -> bool:
    """Whether a file stands there; False too for what no path can be, such as a name too long."""
    try:
        return Path(path).is_file()
    except (OSError, ValueError):
        return False


def is_unicode(path: str | Path) -> bool:
    """Whether a path is text: on Linux a name may hold any bytes, which no table can hold."""
    try:
        str(path).encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True

"""Files that appear whole or not at all, and how one is known again."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path


def file_checksum(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal; OSError if it cannot be read."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that nobody ever sees half of it; its folder is made if need be."""
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        temporary.write_bytes(data)
        temporary.replace(path)
    finally:
        temporary.unlink(missing_ok=True)

"""Tables and JSON as every room writes them; files that appear whole and on disk or not."""

from __future__ import annotations

import contextlib
import csv
import ctypes
import hashlib
import json
import os
import re
import shutil
import socket
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any


def write_file(path: Path, text: str) -> None:
    """Write a file as one step; OSError if it cannot be written."""
    with atomic_write(path) as draft:
        draft.write_text(text, encoding="utf-8")


DRAFT_PREFIX = ".crownlet-"
"""Begins the name of every draft."""

ABANDONED_DRAFT_SECONDS = 86_400.0
"""Seconds after which a draft that does not name its process is taken for left behind."""

_OWNED = re.compile(r"\.crownlet-(?P<host>[A-Za-z0-9_]*)-(?P<pid>\d+)-[^-]+")

_EXCHANGE, _HERE = 2, -100
"""RENAME_EXCHANGE and AT_FDCWD of Linux (renameat2(2), fcntl.h)."""


def make_draft_folder(beside: Path) -> Path:
    """A new empty folder in `beside`; OSError if there is no writing there."""
    draft = Path(tempfile.mkdtemp(prefix=_draft_prefix(), dir=beside))
    draft.chmod(0o755)
    return draft


def _draft_prefix() -> str:
    return f"{DRAFT_PREFIX}{_host_name()}-{os.getpid()}-"


def _host_name() -> str:
    return re.sub(r"[^A-Za-z0-9]", "_", socket.gethostname())[:40]


def replace_folder(draft: Path, target: Path) -> None:
    """Put a finished draft in the place of an older folder; what was there goes away.

    On Linux both change places in one step. Elsewhere the old one is set aside for a moment under
    its own name, where `sweep` finds it if the process is killed just then.
    """
    try:
        # Takes no place where anything stands, even if another process put it there this moment.
        draft.replace(target)
    except OSError:
        if not target.exists():
            raise
        if not _exchange_folders(draft, target):
            aside = make_draft_folder(target.parent)
            target.replace(aside / target.name)
            draft.replace(target)
            shutil.rmtree(aside, ignore_errors=True)


def _exchange_folders(one: Path, other: Path) -> bool:
    """Whether two folders could be made to change places in one step."""
    if not sys.platform.startswith("linux"):
        return False
    with contextlib.suppress(OSError, AttributeError):
        renameat2 = ctypes.CDLL(None).renameat2
        paths = os.fsencode(one), os.fsencode(other)
        return bool(renameat2(_HERE, paths[0], _HERE, paths[1], _EXCHANGE) == 0)
    return False


def remove_abandoned_drafts(run: Path) -> int:
    """Clear away what killed processes left in `run`; returns how many drafts there were.

    A page that was set aside and has no successor is put back. Drafts of processes that still run,
    here or on another machine, stay.
    """
    swept = 0
    with contextlib.suppress(OSError):
        for path in sorted(run.glob(f"{DRAFT_PREFIX}*")):
            if _is_abandoned(path):
                _remove_draft(path, run)
                swept += 1
    return swept


def _is_abandoned(path: Path) -> bool:
    owner = _OWNED.fullmatch(path.name)
    if owner is None or owner["host"] != _host_name():
        try:
            return time.time() - path.stat().st_mtime > ABANDONED_DRAFT_SECONDS
        except OSError:
            return False
    return not _is_running(int(owner["pid"]))


def _is_running(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True
    return True


def _remove_draft(path: Path, run: Path) -> None:
    if not path.is_dir() or path.is_symlink():
        path.unlink(missing_ok=True)
        return
    for kept in path.iterdir():
        if (kept / "page.json").is_file() and not (run / kept.name).exists():
            kept.replace(run / kept.name)
    shutil.rmtree(path, ignore_errors=True)


@contextmanager
def atomic_write(target: Path) -> Iterator[Path]:
    """A draft of one file that takes its target's place when it is whole and on disk.

    The folder is made if need be; OSError if there is no writing in it.
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    folder = make_draft_folder(target.parent)
    try:
        yield folder / target.name
        sync_folder(folder)
        (folder / target.name).replace(target)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def sync_folder(draft: Path) -> None:
    """Every file of a folder on disk before it takes its place, so that power may fail after it."""
    for path in draft.iterdir():
        with path.open("r+b") as file:
            os.fsync(file.fileno())


def write_csv(path: Path, columns: Iterable[str], rows: Iterable[Iterable[object]]) -> None:
    """A CSV file by RFC 4180: UTF-8, commas, CRLF, a header row, quotes where needed."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\r\n")
        writer.writerow(columns)
        writer.writerows(rows)


def write_json(path: Path, data: Any) -> None:
    """A JSON file, UTF-8, indented."""
    with path.open("w", encoding="utf-8") as file:
        json.dump(data, file, ensure_ascii=False, indent=1)
        file.write("\n")


def file_checksum(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal; OSError if it cannot be read."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def write_whole_files(path: Path, data: bytes) -> None:
    """Write a file so that nobody ever sees half of it; its folder is made if need be."""
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        temporary.write_bytes(data)
        temporary.replace(path)
    finally:
        temporary.unlink(missing_ok=True)

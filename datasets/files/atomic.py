"""Files and folders that are on disk whole or not at all, and the tables and JSON written to them.

A draft is written beside its target, forced to disk, then put in the target's place. Its name holds
the machine and the process that write it, so that a later run can tell an abandoned draft from one
that another process is writing.
"""

from __future__ import annotations

import contextlib
import csv
import ctypes
import hashlib
import json
import os
import re
import secrets
import shutil
import socket
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

DRAFT_PREFIX = ".crownlet-"
"""First characters of the name of every draft; the host, the process and a random part follow."""

ABANDONED_DRAFT_SECONDS = 86_400.0
"""Age above which a draft that names no process of this machine counts as abandoned."""

_DRAFT_NAME = re.compile(r"\.crownlet-(?P<host>[A-Za-z0-9_]*)-(?P<pid>\d+)-[^-]+")

_RENAME_EXCHANGE, _AT_FDCWD = 2, -100
"""Constants of Linux: renameat2(2) and fcntl.h."""


@contextmanager
def atomic_write(target: Path) -> Iterator[Path]:
    """Yield the path of an empty draft, which replaces `target` once the block has written it.

    The folder is made if need be. The draft is on disk before it replaces the target, and the
    folder's entry after it. OSError if the folder cannot be written to; after any error the target
    is as it was and no draft is left.
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    draft = target.with_name(draft_name())
    draft.touch(exist_ok=False)
    try:
        yield draft
        _sync_file(draft)
        draft.replace(target)
        _sync_entries(target.parent)
    finally:
        draft.unlink(missing_ok=True)


def draft_name() -> str:
    """A new name for a file that does not outlive this process (`remove_abandoned_drafts`)."""
    return f"{_draft_prefix()}{secrets.token_hex(4)}"


def write_file(path: Path, content: str | bytes) -> None:
    """Write a whole file, text as UTF-8, through `atomic_write`."""
    with atomic_write(path) as draft:
        draft.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)


def make_draft_folder(beside: Path) -> Path:
    """A new empty draft folder in `beside`; OSError if that cannot be written to."""
    draft = Path(tempfile.mkdtemp(prefix=_draft_prefix(), dir=beside))
    draft.chmod(0o755)
    return draft


def sync_folder(draft: Path) -> None:
    """Force every file of a folder to disk, so that a power failure after it loses nothing."""
    for path in draft.iterdir():
        _sync_file(path)
    _sync_entries(draft)


def replace_folder(draft: Path, target: Path) -> None:
    """Put a finished draft in the place of `target`; an older folder there is removed.

    On Linux both exchange places in one step. Elsewhere the old one is moved aside under its own
    name for a moment; `remove_abandoned_drafts` puts it back if the process is killed just then.
    """
    try:
        # Fails where anything stands, even if another process has put it there in the meantime.
        draft.replace(target)
    except OSError:
        if not target.exists():
            raise
        if not _exchange_folders(draft, target):
            aside = make_draft_folder(target.parent)
            target.replace(aside / target.name)
            draft.replace(target)
            shutil.rmtree(aside, ignore_errors=True)
    _sync_entries(target.parent)


def remove_abandoned_drafts(folder: Path) -> int:
    """Remove what killed processes left in `folder`; returns the number of drafts removed.

    A page that was moved aside and has no successor is put back. Drafts of processes that still
    run, here or on another machine, stay.
    """
    removed = 0
    with contextlib.suppress(OSError):
        for path in sorted(folder.glob(f"{DRAFT_PREFIX}*")):
            if _is_abandoned(path):
                _remove_draft(path, folder)
                removed += 1
    return removed


def write_csv(path: Path, columns: Iterable[str], rows: Iterable[Iterable[object]]) -> None:
    """A CSV file by RFC 4180: UTF-8, commas, CRLF, a header row, quotes where needed."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\r\n")
        writer.writerow(columns)
        writer.writerows(rows)


FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r")
"""First characters with which a spreadsheet takes a cell for a formula (OWASP, CSV Injection)."""


def quote_formula(text: str) -> str:
    """Text for a cell that no spreadsheet computes: an apostrophe before what may be a formula."""
    return f"'{text}" if text.lstrip("'").startswith(FORMULA_SIGNS) else text


def unquote_formula(cell: str) -> str:
    """The text that `quote_formula` was given."""
    return cell[1:] if cell.startswith("'") and quote_formula(cell[1:]) == cell else cell


def write_json(path: Path, data: Any) -> None:
    """A JSON file, UTF-8, indented."""
    with path.open("w", encoding="utf-8") as file:
        # At once: `json.dump` writes each bracket and each number by itself.
        file.write(json.dumps(data, ensure_ascii=False, indent=1) + "\n")


def file_checksum(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal; OSError if it cannot be read."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _draft_prefix() -> str:
    return f"{DRAFT_PREFIX}{_host_name()}-{os.getpid()}-"


def _host_name() -> str:
    return re.sub(r"[^A-Za-z0-9]", "_", socket.gethostname())[:40]


def _sync_file(path: Path) -> None:
    with path.open("r+b") as file:
        os.fsync(file.fileno())


def _sync_entries(folder: Path) -> None:
    """Force the names in a folder to disk, where the system can.

    Windows opens no folder and some network file systems cannot sync one; the files themselves
    are whole there as well.
    """
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _exchange_folders(one: Path, other: Path) -> bool:
    """Exchange two folders in one step; False where the system cannot."""
    if not sys.platform.startswith("linux"):
        return False
    with contextlib.suppress(OSError, AttributeError):
        renameat2 = ctypes.CDLL(None).renameat2
        paths = os.fsencode(one), os.fsencode(other)
        return bool(renameat2(_AT_FDCWD, paths[0], _AT_FDCWD, paths[1], _RENAME_EXCHANGE) == 0)
    return False


def _is_abandoned(path: Path) -> bool:
    owner = _DRAFT_NAME.fullmatch(path.name)
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
    return not _has_ended(process)


def _has_ended(process: int) -> bool:
    """Whether a process is dead and only its parent has not asked for its exit code (proc(5))."""
    try:
        state = Path(f"/proc/{process}/stat").read_bytes().rpartition(b")")[2].split()[0]
    except (OSError, IndexError):
        return False
    return state in {b"Z", b"X"}


def _remove_draft(path: Path, folder: Path) -> None:
    if not path.is_dir() or path.is_symlink():
        path.unlink(missing_ok=True)
        return
    for page in path.iterdir():
        if (page / "page.json").is_file() and not (folder / page.name).exists():
            page.replace(folder / page.name)
    shutil.rmtree(path, ignore_errors=True)

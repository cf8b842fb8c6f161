"""Drafts: written beside their target, then put in its place; those of killed runs cleared away.

A draft's name says which machine and process writes it, so that a later run can tell one that was
left behind from one that is being written this moment by another process.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import re
import shutil
import socket
import sys
import tempfile
import time
from pathlib import Path

TEMPORARY = ".crownlet-"
"""Begins the name of every draft."""
FORGOTTEN = 86_400.0
"""Seconds after which a draft that does not name its process is taken for left behind."""

_OWNED = re.compile(r"\.crownlet-(?P<host>[A-Za-z0-9_]*)-(?P<pid>\d+)-[^-]+")
_EXCHANGE, _HERE = 2, -100
"""RENAME_EXCHANGE and AT_FDCWD of Linux (renameat2(2), fcntl.h)."""


def draft_folder(beside: Path) -> Path:
    """A new empty folder in `beside`; OSError if there is no writing there."""
    draft = Path(tempfile.mkdtemp(prefix=_prefix(), dir=beside))
    draft.chmod(0o755)
    return draft


def _prefix() -> str:
    return f"{TEMPORARY}{_host()}-{os.getpid()}-"


def _host() -> str:
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
        if not _exchanged(draft, target):
            aside = draft_folder(target.parent)
            target.replace(aside / target.name)
            draft.replace(target)
            shutil.rmtree(aside, ignore_errors=True)


def _exchanged(one: Path, other: Path) -> bool:
    """Whether two folders could be made to change places in one step."""
    if not sys.platform.startswith("linux"):
        return False
    with contextlib.suppress(OSError, AttributeError):
        renameat2 = ctypes.CDLL(None).renameat2
        paths = os.fsencode(one), os.fsencode(other)
        return bool(renameat2(_HERE, paths[0], _HERE, paths[1], _EXCHANGE) == 0)
    return False


def sweep(run: Path) -> int:
    """Clear away what killed processes left in `run`; returns how many drafts there were.

    A page that was set aside and has no successor is put back. Drafts of processes that still run,
    here or on another machine, stay.
    """
    swept = 0
    with contextlib.suppress(OSError):
        for path in sorted(run.glob(f"{TEMPORARY}*")):
            if _left_behind(path):
                _clear(path, run)
                swept += 1
    return swept


def _left_behind(path: Path) -> bool:
    owner = _OWNED.fullmatch(path.name)
    if owner is None or owner["host"] != _host():
        try:
            return time.time() - path.stat().st_mtime > FORGOTTEN
        except OSError:
            return False
    return not _runs(int(owner["pid"]))


def _runs(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True
    return True


def _clear(path: Path, run: Path) -> None:
    if not path.is_dir() or path.is_symlink():
        path.unlink(missing_ok=True)
        return
    for kept in path.iterdir():
        if (kept / "page.json").is_file() and not (run / kept.name).exists():
            kept.replace(run / kept.name)
    shutil.rmtree(path, ignore_errors=True)

"""One writer at a time: every command holds the folder that it writes to.

A lock is a lock of the operating system on a file in the folder, so it ends with the process that
holds it, however that ends: a killed command leaves at most the file, which the next one takes
over. The file names the holder for whoever is refused. Where a folder lies on a file system without
locks, the command goes on without one.
"""

from __future__ import annotations

import contextlib
import errno
import functools
import json
import os
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from crownlet.datasets.files.errors import FileFault

LOCK_PREFIX = ".lock-"
"""First characters of the name of every lock file; what is written under it follows."""

WAIT_SECONDS = 8.0
"""Wait for a lock before the command is refused: enough for another's short work, and no hang."""

POLL_SECONDS = 0.05

MAX_HOLDER_BYTES = 2_000

_BUSY = (errno.EAGAIN, errno.EACCES, errno.EDEADLK)
"""Errors of a lock that another process holds (flock(2); EACCES and EDEADLK under Windows)."""

_NO_LOCKS = (errno.ENOLCK, errno.ENOSYS, errno.EOPNOTSUPP, errno.EINVAL)
"""Errors of a file system that keeps no locks."""

_HELD = threading.local()
"""By thread: the locks it has, and how often each was entered; a command may run another in it."""


class FolderBusyError(FileFault):
    """A folder that another process is writing to; the reason names that process."""


@contextmanager
def hold_folder(
    folder: Path, command: str, part: str = "files", wait_s: float = WAIT_SECONDS
) -> Iterator[None]:
    """Hold one part of a folder, which is made if need be, while the block writes to it.

    `command` is shown to whoever is refused meanwhile. What the block depends on must be read
    within it. FolderBusyError if another process still holds the part after `wait_s` seconds,
    OSError if the folder cannot be written to.
    """
    path = folder.absolute() / f"{LOCK_PREFIX}{part}"
    held: dict[Path, int] = _HELD.__dict__.setdefault("locks", {})
    if path in held:
        held[path] += 1
        try:
            yield
        finally:
            held[path] -= 1
        return
    made = [parent for parent in path.parents if not parent.exists()]
    try:
        descriptor = _acquire(path, command, wait_s)
        held[path] = 1
        try:
            yield
        finally:
            del held[path]
            _release(path, descriptor)
    finally:
        # A command that found nothing to write leaves no folder behind.
        with contextlib.suppress(OSError):
            for empty in made:
                empty.rmdir()


def _acquire(path: Path, command: str, wait_s: float) -> int:
    """The descriptor of the lock file, locked and naming this process."""
    end = time.monotonic() + wait_s
    while True:
        # Each time: whoever held it may have removed a folder in which it found nothing to write.
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        except FileNotFoundError:
            continue
        try:
            if _lock(descriptor) and _is_at(path, descriptor):
                _write_holder(descriptor, command)
                return descriptor
            holder = _read_holder(descriptor)
        except BaseException:
            os.close(descriptor)
            raise
        os.close(descriptor)
        if time.monotonic() >= end:
            raise FolderBusyError(path.parent, f"{holder}; wait until it has ended.")
        time.sleep(POLL_SECONDS)


def _release(path: Path, descriptor: int) -> None:
    """Remove the file while it is locked, so that nobody locks a file that is about to go."""
    with contextlib.suppress(OSError):
        path.unlink()
    os.close(descriptor)
    # Windows removes no file that is open.
    if os.name == "nt":
        with contextlib.suppress(OSError):
            path.unlink(missing_ok=True)


def _is_at(path: Path, descriptor: int) -> bool:
    """Whether the locked file is still the one in the folder: its last holder removes it."""
    try:
        there, locked = path.stat(), os.fstat(descriptor)
    except OSError:
        return False
    return (there.st_dev, there.st_ino) == (locked.st_dev, locked.st_ino)


def _lock(descriptor: int) -> bool:
    """Lock an open file without waiting; False if another process has it locked."""
    try:
        _system_lock()(descriptor)
    except OSError as error:
        if error.errno in _BUSY:
            return False
        if error.errno not in _NO_LOCKS:
            raise
    return True


@functools.cache
def _system_lock() -> Callable[[int], None]:
    """The operating system's lock on an open file, without waiting; OSError if it is taken."""
    if os.name == "nt":
        import msvcrt

        def lock(descriptor: int) -> None:
            # Behind what names the holder: under Windows nobody reads locked bytes.
            os.lseek(descriptor, MAX_HOLDER_BYTES, os.SEEK_SET)
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]

        return lock
    import fcntl

    return lambda descriptor: fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _write_holder(descriptor: int, command: str) -> None:
    holder = {
        "command": command,
        "process": os.getpid(),
        "machine": socket.gethostname(),
        "since": time.strftime("%Y-%m-%d %H:%M"),
    }
    # On a full disk the lock holds all the same; only the name of its holder is lost.
    with contextlib.suppress(OSError):
        os.ftruncate(descriptor, 0)
        os.lseek(descriptor, 0, os.SEEK_SET)
        os.write(descriptor, json.dumps(holder).encode())


def _read_holder(descriptor: int) -> str:
    """Who holds a lock, in words."""
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
        os.lseek(descriptor, 0, os.SEEK_SET)
        holder = json.loads(os.read(descriptor, MAX_HOLDER_BYTES))
        return (
            f"`{holder['command']}` (process {int(holder['process'])} on {holder['machine']}, "
            f"since {holder['since']}) is writing to it"
        )
    return "another process is writing to it"

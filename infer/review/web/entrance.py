"""The file by which `crownlet review --open` hands the address with its token to a browser."""

from __future__ import annotations

import contextlib
import os
from html import escape
from pathlib import Path

from crownlet.datasets.files.atomic import draft_name, remove_abandoned_drafts

PAGE = (
    '<!doctype html><html lang="en"><meta charset="utf-8"><title>Review</title>'
    '<meta http-equiv="refresh" content="0; url={address}">'
    '<p><a href="{address}">To the review</a></p></html>'
)


class EntranceFile:
    """A page in the run's folder that leads to the review; only its owner can read it.

    The arguments of a process, the browser's too, can be read by everybody on the machine: they
    hold the path of this file, never the token.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._path: Path | None = None

    def write(self, address: str) -> str:
        """Write the file; its own address, for the browser. OSError if it cannot be written."""
        remove_abandoned_drafts(self._folder)
        path = self._folder.resolve() / f"{draft_name()}.html"
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        self._path = path
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            file.write(PAGE.format(address=escape(address)))
        return path.as_uri()

    def remove(self) -> None:
        """Remove the file; nothing happens without one."""
        if self._path is not None:
            with contextlib.suppress(OSError):
                self._path.unlink(missing_ok=True)
            self._path = None

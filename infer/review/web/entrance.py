"""How the address of a served page, with its token, comes to a browser: printed, or by a file."""

from __future__ import annotations

import contextlib
import os
import webbrowser
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


class Entrance:
    """What `crownlet review` and `crownlet open` print of the address of their page.

    `what` names what is served, `kept` says what becomes of it when the server ends. With `browser`
    the usual browser is opened. The file in `folder` that leads there is gone at the end of the
    `with` statement.
    """

    def __init__(self, folder: Path, what: str, kept: str, *, browser: bool) -> None:
        self._file = EntranceFile(folder)
        self._what, self._kept, self._browser = what, kept, browser

    def __enter__(self) -> Entrance:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.remove()

    def ready(self, address: str) -> None:
        """The page is served at `address`."""
        print(f"{self._what}: open\n\n    {address}\n", flush=True)
        print(f"in a browser on this machine. Ctrl-C ends it; {self._kept}.", flush=True)
        if self._browser:
            webbrowser.open(self._file.write(address))

    def entered(self, address: str) -> None:
        """A browser was opened with the address before; another one opens with this."""
        self._file.remove()
        with contextlib.suppress(OSError):  # The server goes on where nobody reads the terminal.
            print(f"Opened in a browser. Another one opens at {address}", flush=True)

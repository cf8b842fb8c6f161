"""Which pictures a command means: files, folders with all below them, and patterns."""

from __future__ import annotations

import glob
import os
from collections.abc import Iterable, Iterator
from pathlib import Path

SUFFIXES = (".png", ".jpg", ".jpeg", ".tif", ".tiff", ".webp")
"""Endings of the pictures that are taken out of a folder; a file named by itself may have any."""


def pictures(arguments: Iterable[str], out: Path) -> tuple[list[Path], list[str]]:
    """The pictures meant, each once, and a sentence for each argument that means none.

    Folders are gone through in the order of their names, without hidden files and without the run
    itself; a pattern (`*`, `?`, `[...]`, `**`) is for shells that leave it as it is.
    """
    found: dict[Path, Path] = {}
    wrong = []
    for argument in arguments:
        path = Path(argument)
        meant = [path]
        if path.is_dir():
            meant = list(_below(path, out))
            if not meant:
                wrong.append(f"{path}: holds no PNG, JPEG, TIFF or WebP picture.")
        elif not os.path.lexists(path) and glob.has_magic(argument):
            meant = sorted(_matching(argument, out))
            if not meant:
                wrong.append(f"{argument}: there is no picture of such a name.")
        for one in meant:
            found.setdefault(Path(os.path.abspath(one)), one)  # noqa: PTH100
    return list(found.values()), wrong


def _matching(pattern: str, out: Path) -> Iterator[Path]:
    for name in glob.glob(pattern, recursive=True):  # noqa: PTH207
        path = Path(name)
        if path.is_dir():
            yield from _below(path, out)
        elif path.suffix.lower() in SUFFIXES:
            yield path


def _below(folder: Path, out: Path) -> Iterator[Path]:
    """Pictures of a folder and of those below it, links to folders left alone."""
    run = out.resolve()
    for here, folders, files in os.walk(folder):
        folders[:] = sorted(
            name for name in folders
            if not name.startswith(".") and (Path(here) / name).resolve() != run
        )  # fmt: skip
        for name in sorted(files):
            if not name.startswith(".") and Path(name).suffix.lower() in SUFFIXES:
                yield Path(here) / name

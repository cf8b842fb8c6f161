"""The pictures of a command: files, folders with all below them, and patterns; names of pages."""

from __future__ import annotations

import glob
import hashlib
import json
import os
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from crownlet.datasets.files.atomic import file_checksum
from crownlet.infer.run.names import (
    REVIEW_DECISIONS_FILE,
    REVIEW_LABELS_FILE,
    REVIEW_PICTURES_FILE,
    REVIEW_STORE_FILE,
    SCROLLS_FILE,
)

PICTURE_SUFFIXES = (".png", ".jpg", ".jpeg", ".tif", ".tiff", ".webp")
"""Suffixes of the pictures of a folder; a file given by its path may have any."""


def find_pictures(arguments: Iterable[str], out: Path) -> tuple[list[Path], list[str]]:
    """The pictures of the arguments, each once, and a sentence for each argument without any.

    Folders are walked in the order of their names, without hidden files and the run itself;
    patterns (`*`, `?`, `[...]`, `**`) are expanded where the shell did not.
    """
    found: dict[Path, Path] = {}
    wrong = []
    for argument in arguments:
        path = Path(argument)
        meant = [path]
        if path.is_dir():
            meant = list(_pictures_below(path, out))
            if not meant:
                wrong.append(f"{path}: holds no PNG, JPEG, TIFF or WebP picture.")
        elif not os.path.lexists(path) and glob.has_magic(argument):
            meant = sorted(_pictures_matching(argument, out))
            if not meant:
                wrong.append(f"{argument}: there is no picture of such a name.")
        for one in meant:
            found.setdefault(Path(os.path.abspath(one)), one)  # noqa: PTH100
    return list(found.values()), wrong


def _pictures_matching(pattern: str, out: Path) -> Iterator[Path]:
    for name in glob.glob(pattern, recursive=True):  # noqa: PTH207
        path = Path(name)
        if path.is_dir():
            yield from _pictures_below(path, out)
        elif path.suffix.lower() in PICTURE_SUFFIXES:
            yield path


def _pictures_below(folder: Path, out: Path) -> Iterator[Path]:
    """Pictures of a folder and of those below it; links to folders are not followed."""
    run = out.resolve()
    for here, folders, files in os.walk(folder):
        folders[:] = sorted(
            name for name in folders
            if not name.startswith(".") and (Path(here) / name).resolve() != run
        )  # fmt: skip
        for name in sorted(files):
            if not name.startswith(".") and Path(name).suffix.lower() in PICTURE_SUFFIXES:
                yield Path(here) / name


RESERVED_NAMES = (
    "sheets", SCROLLS_FILE, REVIEW_LABELS_FILE, REVIEW_DECISIONS_FILE,
    *(name + end for name in (REVIEW_STORE_FILE, REVIEW_PICTURES_FILE)
      for end in ("", "-wal", "-shm")),
)  # fmt: skip
"""Names of a run's folder that no page may take."""

MAX_NAME_BYTES = 200
"""Length of a name; file systems allow 255 bytes."""


def page_names(paths: Sequence[Path], run: Path | None = None) -> list[str]:
    """A folder name for each page: its stem, made distinct where several pages share it.

    The names depend on the set of pages, not on their order, and differ without regard to upper
    and lower case. A page that `run` holds keeps its name there; no other page takes it.
    """
    held = _NamesInRun(run)
    names: dict[Path, str] = {}
    taken = {name.casefold() for name in RESERVED_NAMES}
    paths = [Path(path) for path in paths]
    unnamed = sorted(set(paths), key=lambda path: path.absolute().as_posix())
    for keep in (True, False):
        for path in unnamed:
            if path not in names:
                fits = held.belongs_to if keep else held.is_free_for
                found = next(
                    (n for n in _candidates(path) if n.casefold() not in taken and fits(n, path)),
                    None,
                )
                if found is not None:
                    names[path] = found
                    taken.add(found.casefold())
    return [names[path] for path in paths]


def _candidates(path: Path) -> Iterator[str]:
    """Names to try for a page: its stem, with its suffix, with its folder, with both."""
    stem = _safe_name(path.stem) or "page"
    suffix, folder = _safe_name(path.suffix.lstrip(".")), _safe_name(path.absolute().parent.name)
    yield stem
    if suffix:
        yield f"{stem}-{suffix}"
    if folder:
        yield _cut_name(f"{folder}-{stem}")
        yield _cut_name(f"{folder}-{stem}-{suffix}")
    # Folders of one name are distinguished by their paths, so that the order does not matter.
    where = hashlib.sha256(path.absolute().as_posix().encode("utf-8", "replace")).hexdigest()
    yield _cut_name(f"{stem}-{where[:8]}")
    yield _cut_name(f"{stem}-{where}")


def _safe_name(name: str) -> str:
    """A name without control and broken characters, which no folder name should have."""
    kept = (c if unicodedata.category(c)[0] != "C" or c == "\u200f" else "_" for c in name)
    return _cut_name("".join(kept).strip(". "))


def _cut_name(name: str) -> str:
    return name.encode()[-MAX_NAME_BYTES:].decode("utf-8", "ignore")


class _NamesInRun:
    """The names of the pages that a run holds."""

    def __init__(self, run: Path | None) -> None:
        self._run = run
        folders = run.iterdir() if run is not None and run.is_dir() else ()
        self._names = {p.name.casefold(): p.name for p in folders if not p.name.startswith(".")}
        self._facts: dict[str, tuple[str, str]] = {}

    def belongs_to(self, name: str, path: Path) -> bool:
        """Whether the page of this name was made from the picture at `path`."""
        recorded = self._picture(name)[0]
        return bool(recorded) and Path(recorded).absolute() == path.absolute()

    def is_free_for(self, name: str, path: Path) -> bool:
        """Whether `path` may take a name: no page has it, or its picture was moved."""
        if name.casefold() not in self._names:
            return True
        # A folder that is no page must not be overwritten either.
        checksum = self._picture(name)[1]
        return bool(checksum) and checksum == checksum_if_there(path)

    def _picture(self, name: str) -> tuple[str, str]:
        """Path and checksum of a page's picture; empty where there is no such record."""
        if self._run is None or name.casefold() not in self._names:
            return "", ""
        if name not in self._facts:
            try:
                path = self._run / self._names[name.casefold()] / "page.json"
                image = json.loads(path.read_bytes())["image"]
                self._facts[name] = str(image["path"]), str(image["sha256"])
            except (OSError, ValueError, KeyError, TypeError):
                self._facts[name] = "", ""
        return self._facts[name]


def checksum_if_there(path: Path) -> str | None:
    """SHA-256 of a file, in hexadecimal; None if it cannot be read."""
    try:
        return file_checksum(path)
    except OSError:
        return None

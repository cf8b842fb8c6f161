"""The pictures of a command: files, folders with all below them, and patterns; names of pages."""

from __future__ import annotations

import fnmatch
import glob
import hashlib
import os
import unicodedata
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

from crownlet.datasets.files.atomic import file_checksum
from crownlet.datasets.files.documents import parse_json
from crownlet.datasets.files.errors import plain
from crownlet.datasets.files.images import (
    FORMATS_IN_WORDS,
    PDF_SUFFIX,
    PICTURE_SUFFIXES,
    PageError,
)
from crownlet.datasets.files.names import cut_name
from crownlet.infer.run.names import (
    PDF_PAGES_FOLDER,
    REVIEW_DECISIONS_FILE,
    REVIEW_LABELS_FILE,
    REVIEW_PICTURES_FILE,
    REVIEW_STORE_FILE,
    SCROLLS_FILE,
)
from crownlet.infer.view.choice import VIEW_FILE

CAUSE_BY_SUFFIX = {
    **dict.fromkeys((".csv", ".tsv", ".xls", ".xlsx", ".ods"), "a table"),
    **dict.fromkeys((".txt", ".md", ".doc", ".docx", ".odt", ".rtf", ".html"), "a text"),
    **dict.fromkeys((".mp4", ".mov", ".avi", ".mkv", ".webm"), "a film; take single pictures"),
    **dict.fromkeys((".zip", ".7z", ".rar", ".gz", ".tar"), "an archive; unpack it"),
    **dict.fromkeys(
        (".cr2", ".cr3", ".nef", ".arw", ".dng", ".raf", ".orf"),
        "a camera's raw file; save it as TIFF or JPEG",
    ),
    **dict.fromkeys(
        (".gif", ".jp2", ".avif", ".svg", ".psd"), "saved in a format that is not read"
    ),
}
"""Why a file of a folder is not read, by the ending of its name."""

UNKNOWN_CAUSE = f"no {FORMATS_IN_WORDS} picture and no PDF, by its name"

LINK_CAUSE = "a link to a folder; links are not followed"


@dataclass(frozen=True)
class UnreadFile:
    """A file, or link, that stands in a folder of pictures and is not read."""

    path: Path
    cause: str


@dataclass(frozen=True)
class FoundPictures:
    """The pictures of some arguments, and what else was met."""

    paths: list[Path]
    """Each picture once, pages of PDF files as the pictures taken out of them."""
    wrong: list[str]
    """A sentence for each argument without a picture, and for each PDF that cannot be opened."""
    unread: list[UnreadFile]
    """Files of folders that are no pictures, without hidden ones."""


def find_pictures(
    arguments: Iterable[str], out: Path, beside: Collection[Path] = ()
) -> FoundPictures:
    """The pictures of the arguments: files, folders with all below them, and patterns.

    Folders are walked in the order of their names, without hidden files, the run `out` and the
    folders `beside`; patterns (`*`, `?`, `[...]`, `**`) are expanded where the shell did not. The
    pages of PDF files are written below `out`.
    """
    walk = _FolderWalk((out, *beside))
    found: dict[Path, Path] = {}
    wrong = []
    for argument in arguments:
        path = Path(argument)
        meant = [path]
        if path.is_dir():
            meant = list(walk.pictures_below(path))
            if not meant:
                wrong.append(f"{path}: holds no {FORMATS_IN_WORDS} picture and no PDF.")
        elif not os.path.lexists(path) and glob.has_magic(argument):
            meant = sorted(walk.pictures_matching(argument))
            if not meant:
                wrong.append(f"{argument}: there is no picture of such a name.")
        for one in meant:
            try:
                pages = _pages_of(one, out)
            except PageError as error:
                wrong.append(str(error))
                continue
            for page in pages:
                found.setdefault(Path(os.path.abspath(page)), page)  # noqa: PTH100
    return FoundPictures(list(found.values()), wrong, walk.unread)


def _pages_of(path: Path, out: Path) -> list[Path]:
    """A picture itself, or the pages of a PDF."""
    if path.suffix.lower() != PDF_SUFFIX or not path.is_file():
        return [path]
    from crownlet.datasets.files.pdf import take_out_pages

    return take_out_pages(path, out / PDF_PAGES_FOLDER)


class _FolderWalk:
    """Pictures of folders; what else stands there is gathered in `unread`."""

    def __init__(self, left_out: Iterable[Path]) -> None:
        self._left_out = {path.resolve() for path in left_out}
        self.unread: list[UnreadFile] = []

    def pictures_matching(self, pattern: str) -> Iterator[Path]:
        """Pictures of a pattern, and below the folders that it names."""
        for path in _matching(pattern):
            if path.is_dir():
                yield from self.pictures_below(path)
            elif _is_read(path):
                yield path

    def pictures_below(self, folder: Path) -> Iterator[Path]:
        """Pictures of a folder and of those below it; links to folders are not followed."""
        for here, folders, files in os.walk(folder):
            links = [name for name in folders if (Path(here) / name).is_symlink()]
            self.unread += [UnreadFile(Path(here) / name, LINK_CAUSE) for name in sorted(links)]
            folders[:] = sorted(
                name for name in folders
                if not name.startswith(".") and (Path(here) / name).resolve() not in self._left_out
            )  # fmt: skip
            for name in sorted(files):
                path = Path(here) / name
                if name.startswith("."):
                    continue
                if _is_read(path):
                    yield path
                else:
                    self.unread.append(UnreadFile(path, cause_unread(path)))


def _matching(pattern: str) -> Iterator[Path]:
    """Paths of a pattern. `**` follows no links to folders, which may lead around in circles."""
    whole = Path(pattern)
    parts = [part for part, _ in groupby(whole.parts[bool(whole.anchor) :])]
    yield from _expand(Path(whole.anchor), parts)


def _expand(folder: Path, parts: Sequence[str]) -> Iterator[Path]:
    if not parts:
        yield folder
        return
    part, left = parts[0], parts[1:]
    if not glob.has_magic(part):
        if os.path.lexists(folder / part):
            yield from _expand(folder / part, left)
        return
    try:
        names = sorted(entry.name for entry in folder.iterdir())
    except OSError:
        return
    if part == "**":
        yield from _expand(folder, left)
    for name in names:
        path = folder / name
        if part == "**":
            if not name.startswith(".") and path.is_dir() and not path.is_symlink():
                yield from _expand(path, parts)
        elif fnmatch.fnmatch(name, part) and (part.startswith(".") or not name.startswith(".")):
            yield from _expand(path, left)


def _is_read(path: Path) -> bool:
    return path.suffix.lower() in (*PICTURE_SUFFIXES, PDF_SUFFIX)


def describe_unread(unread: Iterable[UnreadFile]) -> list[str]:
    """The files that are not read, by name, one line for each cause."""
    by_cause: dict[str, list[str]] = {}
    for file in unread:
        by_cause.setdefault(file.cause, []).append(plain(file.path))
    return [f"Not read ({cause}): {', '.join(names)}." for cause, names in by_cause.items()]


def cause_unread(path: Path) -> str:
    """Why a file is not read, by its name."""
    return CAUSE_BY_SUFFIX.get(path.suffix.lower(), UNKNOWN_CAUSE)


RESERVED_NAMES = (
    "sheets", PDF_PAGES_FOLDER, SCROLLS_FILE, REVIEW_LABELS_FILE, REVIEW_DECISIONS_FILE,
    VIEW_FILE,
    *(name + end for name in (REVIEW_STORE_FILE, REVIEW_PICTURES_FILE)
      for end in ("", "-wal", "-shm")),
)  # fmt: skip
"""Names of a run's folder that no page may take."""


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
        yield cut_name(f"{folder}-{stem}")
        yield cut_name(f"{folder}-{stem}-{suffix}")
    # Folders of one name are distinguished by their paths, so that the order does not matter.
    where = hashlib.sha256(path.absolute().as_posix().encode("utf-8", "replace")).hexdigest()
    yield cut_name(f"{stem}-{where[:8]}")
    yield cut_name(f"{stem}-{where}")


def _safe_name(name: str) -> str:
    """A name without control and broken characters, which no folder name should have."""
    kept = (c if unicodedata.category(c)[0] != "C" or c == "\u200f" else "_" for c in name)
    return cut_name("".join(kept).strip(". "))


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
                image = parse_json(path.read_bytes())["image"]
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

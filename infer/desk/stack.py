"""The state of a stack: its pictures, their names and sides, and the choices; in one JSON file.

Every change is on disk before the page is answered. A picture is known by its path below the stack
and by size and time of its file; one that has changed is looked at again and keeps its names.
"""

from __future__ import annotations

import re
import threading
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from crownlet.datasets.files.atomic import atomic_write, write_json
from crownlet.datasets.files.documents import parse_json, read_small_file
from crownlet.datasets.files.errors import FileFault
from crownlet.infer.batch.inputs import UnreadFile, find_pictures, page_names
from crownlet.infer.desk.first_look import FirstLook
from crownlet.infer.run.typed import build_record
from crownlet.infer.scrolls.members import (
    MAX_NAME_CHARACTERS,
    PagePlace,
    is_scroll_name,
    place_by_name,
)
from crownlet.infer.scrolls.scroll import SIDES

if TYPE_CHECKING:
    from crownlet.infer.text.side import Side

SCANS_FOLDER, RUN_FOLDER, DESK_FOLDER = "scans", "run", "desk"

STACK_FILE = "stack.json"

STACK_SCHEMA = 1

MAX_STACK_BYTES = 64 * 2**20
"""Size above which the file is not read; a picture takes 400 bytes of it."""

_OTHER_SIDE_WORDS: tuple[tuple[str, Side], ...] = (
    (r"front|recto|outside|פנים|חזית", "face"), (r"back|verso|rev|inside|אחור|גב", "reverse"),
)  # fmt: skip
"""Endings of names, beside `face` and `reverse`, that propose a side."""


class StackError(FileFault):
    """A stack's folder or file that cannot be used."""


@dataclass(frozen=True)
class StackPicture:
    """One picture of the stack."""

    key: str
    """Its path below the stack, with slashes."""
    path: Path
    page: str
    """Name of its page in the run."""
    stamp: str
    """Size and time of the file."""
    scroll: str = ""
    """As a person named it; "" where nobody has."""
    side: Side | None = None
    left_out: bool = False
    look: FirstLook | None = None

    @property
    def is_unusable(self) -> bool:
        """Whether the first look found that the picture cannot be read at all."""
        return self.look is not None and self.look.verdict == "unusable"

    @property
    def proposed(self) -> PagePlace:
        """The place by name of the file and, for the side, by its letters."""
        place = propose_place(self.page, self.path)
        read = self.look.side if self.look else None
        return replace(place, side=read or place.side)

    @property
    def place(self) -> PagePlace:
        """The place as named, else as proposed."""
        proposed = self.proposed
        return PagePlace(self.page, self.scroll or proposed.scroll, self.side or proposed.side)


@dataclass(frozen=True)
class Choices:
    """What the pages are compared with."""

    portion: str = "auto"
    customs: str = "unspecified"
    settings: Mapping[str, str] = field(default_factory=dict)
    """Single settings of the customs that were chosen apart."""


class Stack:
    """A stack's folder; usable from several threads."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.scans, self.run = folder / SCANS_FOLDER, folder / RUN_FOLDER
        self.desk = folder / DESK_FOLDER
        self._lock = threading.RLock()
        self._data = self._read()
        self.pictures: dict[str, StackPicture] = {}
        self._coming: set[Path] = set()
        """Paths of files that are being written."""
        self.unread: list[UnreadFile] = []
        self.wrong: list[str] = []

    @classmethod
    def open(cls, folder: str | Path) -> Stack:
        """Open or begin the stack in a folder; StackError if it cannot be used."""
        path = Path(folder).expanduser()
        if path.exists() and not path.is_dir():
            raise StackError(path, "is a file; a stack needs a folder.")
        try:
            for part in (path / SCANS_FOLDER, path / DESK_FOLDER):
                part.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StackError(path, f"cannot be written ({error.strerror or error}).") from None
        stack = cls(path)
        stack.refresh()
        return stack

    def _read(self) -> dict[str, Any]:
        path = self.desk / STACK_FILE
        try:
            data = parse_json(read_small_file(path, MAX_STACK_BYTES))
            _check_stack(data)
        except FileNotFoundError:
            return {"schema": STACK_SCHEMA, "pictures": {}, "choices": {}, "inspecting": False}
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            raise StackError(path, "is damaged, or of another version; move it away.") from None
        return cast("dict[str, Any]", data)

    def _write(self) -> None:
        try:
            with atomic_write(self.desk / STACK_FILE) as draft:
                write_json(draft, self._data)
        except OSError as error:
            reason = f"cannot be written ({error.strerror or error})."
            raise StackError(self.desk / STACK_FILE, reason) from None

    def reload(self) -> None:
        """Read again what another desk may have kept; StackError if it cannot be read."""
        with self._lock:
            self._data = self._read()
        self.refresh()

    def refresh(self) -> None:
        """Look through the folder again; pictures that are gone are no longer listed."""
        found = find_pictures([str(self.folder)], self.run, (self.desk,))
        paths = [path for path in found.paths if path.is_file()]
        names = page_names(paths, self.run) if paths else []
        with self._lock:
            self.unread = found.unread
            self.wrong = found.wrong if paths else [w for w in found.wrong if ".pdf" in w.lower()]
            self.pictures = {
                one.key: one
                for one in (
                    self._picture(path, name) for path, name in zip(paths, names, strict=True)
                )
            }

    def _picture(self, path: Path, page: str) -> StackPicture:
        key = path.relative_to(self.folder).as_posix()
        kept = self._data["pictures"].get(key, {})
        facts = path.stat()
        stamp = f"{facts.st_size}-{facts.st_mtime_ns}"
        look = kept.get("look") if kept.get("stamp") == stamp else None
        return StackPicture(
            key, path, page, stamp, kept.get("scroll", ""), kept.get("side"),
            bool(kept.get("left_out")), FirstLook.from_json(look) if look else None,
        )  # fmt: skip

    def _keep(self, picture: StackPicture) -> None:
        self.pictures[picture.key] = picture
        self._data["pictures"][picture.key] = {
            "stamp": picture.stamp, "scroll": picture.scroll, "side": picture.side,
            "left_out": picture.left_out, "look": picture.look and picture.look.as_json(),
        }  # fmt: skip
        self._write()

    def listed(self) -> list[StackPicture]:
        """All pictures, scroll by scroll, faces first."""
        with self._lock:
            pictures = list(self.pictures.values())
        pages = {picture.key: picture.place for picture in pictures}

        def rank(picture: StackPicture) -> tuple[str, bool, str]:
            place = pages[picture.key]
            return place.scroll.casefold(), place.side == "reverse", picture.key

        return sorted(pictures, key=rank)

    def keep_look(self, picture: StackPicture, look: FirstLook) -> None:
        """Keep what a first look found, unless the file has changed meanwhile."""
        with self._lock:
            now = self.pictures.get(picture.key)
            if now is not None and now.stamp == picture.stamp:
                self._keep(replace(now, look=look))

    def name_picture(self, key: str, scroll: str, side: str, left_out: bool) -> StackPicture:
        """Keep scroll and side of a picture; KeyError for none, ValueError for a wrong name."""
        name = unicodedata.normalize("NFC", scroll.strip())
        if name and not is_scroll_name(name):
            raise ValueError(
                "The name of a scroll has at most "
                f"{MAX_NAME_CHARACTERS} characters, does not begin with a dot, and holds none of "
                '/ \\ : * ? " < > |, since files are named after it.'
            )
        with self._lock:
            known = next((each for each in SIDES if each == side), None)
            before = self.pictures[key]
            proposed = before.proposed
            named = replace(
                before, scroll="" if name == proposed.scroll else name,
                side=None if known == proposed.side else known, left_out=left_out,
            )  # fmt: skip
            self._keep(named)
            return named

    @property
    def choices(self) -> Choices:
        """What was chosen last."""
        with self._lock:
            return build_record(Choices, self._data["choices"])

    def choose(self, choices: Choices) -> None:
        """Keep the choices."""
        with self._lock:
            self._data["choices"] = {
                "portion": choices.portion, "customs": choices.customs,
                "settings": dict(choices.settings),
            }  # fmt: skip
            self._write()

    @property
    def inspecting(self) -> bool:
        """Whether an inspection was begun and neither ended nor stopped by a person."""
        return bool(self._data["inspecting"])

    def mark_inspecting(self, begun: bool) -> None:
        """Keep that an inspection was begun, so that the next start goes on with it."""
        with self._lock:
            if self._data["inspecting"] != begun:
                self._data["inspecting"] = begun
                self._write()

    def small_path(self, picture: StackPicture) -> Path:
        """Path of the small picture, by place and state of the file."""
        name = re.sub(r"[^\w.-]+", "_", picture.key)[-100:]
        return self.desk / "small" / f"{name}-{picture.stamp}.jpg"

    def new_path(self, name: str) -> Path:
        """A path in `scans` for a new file of this name that no file has, nor one that is coming.

        It is kept free until `release_path`.
        """
        plain = "".join(c for c in unicodedata.normalize("NFC", name) if c.isprintable())
        plain = re.split(r"[/\\]", plain)[-1].lstrip(". ") or "picture"
        stem, dot, suffix = plain.rpartition(".")
        stem, suffix = (stem, suffix) if dot else (plain, "")
        stem = stem.encode()[:180].decode("utf-8", "ignore") or "picture"
        number = 1
        while True:
            tail = f"-{number}" if number > 1 else ""
            path = self.scans / (f"{stem}{tail}.{suffix}" if suffix else f"{stem}{tail}")
            with self._lock:
                if path not in self._coming and not path.exists():
                    self._coming.add(path)
                    return path
            number += 1

    def release_path(self, path: Path) -> None:
        """The file of a new path has been written, or does not come."""
        with self._lock:
            self._coming.discard(path)


def _check_stack(data: Any) -> None:
    """KeyError, TypeError or ValueError for what is no record of a stack."""
    if data["schema"] != STACK_SCHEMA or not isinstance(data["inspecting"], bool):
        raise ValueError
    build_record(Choices, data["choices"])
    if not all(isinstance(v, str) for v in data["choices"].get("settings", {}).values()):
        raise ValueError
    for kept in data["pictures"].values():
        name = kept["scroll"]
        if not isinstance(name, str) or (name and not is_scroll_name(name)):
            raise ValueError
        if kept["side"] not in (None, *SIDES) or not isinstance(kept["left_out"], bool):
            raise ValueError
        if kept["look"] is not None:
            FirstLook.from_json(kept["look"])


def propose_place(page: str, path: Path) -> PagePlace:
    """The place of a page by its name, in more languages and words than a command reads."""
    place = place_by_name(page, str(path))
    if place.side is not None:
        return place
    for words, side in _OTHER_SIDE_WORDS:
        ending = re.fullmatch(rf"(.*[^-_ .])[-_ .]+(?:{words})", page, re.IGNORECASE)
        if ending:
            return PagePlace(page, ending[1], side)
    return place

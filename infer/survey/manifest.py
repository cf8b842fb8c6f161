"""The manifest of a survey: which scan is which side of which scroll of which source.

Every line is checked before anything runs, and every fault is reported, not only the first.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from crownlet.datasets.files.atomic import file_checksum
from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.scrolls.members import ScrollTableError, TableLine, read_lines
from crownlet.infer.scrolls.scroll import SIDES
from crownlet.infer.text.search import read_text_choice
from crownlet.infer.text.side import Side

REQUIRED_COLUMNS = ("scan", "scroll", "source", "side")

MANIFEST_COLUMNS = (*REQUIRED_COLUMNS, "portion", "customs", "note")

MAX_NAME_CHARACTERS = 120


class ManifestError(ScrollTableError):
    """A manifest with wrong lines; `faults` has a sentence for each, in the order of the lines."""

    def __init__(self, path: str | Path, faults: Sequence[str]) -> None:
        lines = f"{len(faults)} faults" if len(faults) > 1 else "1 fault"
        super().__init__(path, "\n    ".join((f"{lines}; nothing was run.", *faults)))
        self.faults = tuple(faults)


@dataclass(frozen=True)
class ManifestRow:
    """One scan; `line` is its line in the file."""

    line: int
    scan: Path
    scroll: str
    source: str
    side: Side
    portion: str
    customs: str
    sha256: str
    """Of the picture file."""


@dataclass(frozen=True)
class Manifest:
    """All rows, in the order of the file."""

    path: Path
    sha256: str
    rows: tuple[ManifestRow, ...]

    @property
    def sources(self) -> dict[str, int]:
        """Scrolls of each source."""
        scrolls = {row.scroll.casefold(): row.source for row in self.rows}
        return {name: list(scrolls.values()).count(name) for name in sorted({*scrolls.values()})}


def read_manifest(
    path: str | Path, portion: str = "auto", customs: str = "unspecified"
) -> Manifest:
    """Read and check a manifest; `portion` and `customs` stand in for cells left empty.

    Paths of scans, portions and customs are relative to the manifest's folder. ManifestError names
    every fault by line and column; ScrollTableError where the file is no table at all.
    """
    path = Path(path)
    columns, lines = read_lines(path, MANIFEST_COLUMNS, REQUIRED_COLUMNS)
    checker = _ManifestChecker(path.parent, {"portion": portion, "customs": customs})
    rows = [row for line in lines if (row := checker.check(columns, line)) is not None]
    if checker.faults:
        raise ManifestError(path, checker.faults)
    return Manifest(path, file_checksum(path), tuple(rows))


@dataclass
class _ManifestChecker:
    """Names and files of the lines so far, each with its first line, and the faults found."""

    folder: Path
    defaults: Mapping[str, str]
    faults: list[str] = field(default_factory=list)
    _line_of_file: dict[Path, int] = field(default_factory=dict)
    _line_of_checksum: dict[str, int] = field(default_factory=dict)
    _source_of_scroll: dict[str, tuple[str, int]] = field(default_factory=dict)
    """Source and line by the scroll's name, folded to one case."""
    _spelling_of_source: dict[str, tuple[str, int]] = field(default_factory=dict)
    """Spelling and line by the source's name, folded to one case."""
    _fault_of_setting: dict[tuple[str, str], str] = field(default_factory=dict)
    """By column and value; empty for one that can be read."""

    def check(self, columns: Sequence[str], found: TableLine) -> ManifestRow | None:
        """The row of a line; None where it has a fault."""
        before = len(self.faults)
        try:
            values = {"portion": "", "customs": "", **found.named(columns)}
        except ValueError as error:
            self.faults.append(f"line {found.line}: {error}")
            return None
        for name in REQUIRED_COLUMNS:
            if not values[name]:
                self._fault(found.line, name, "is empty.")
        if values["side"] and values["side"].casefold() not in SIDES:
            reason = f"{values['side']!r} is neither face nor reverse."
            self._fault(found.line, "side", reason)
        self._check_names(found.line, values)
        texts = {
            name: self._check_setting(found.line, name, values[name]) for name in self.defaults
        }
        scan, checksum = self._check_scan(found.line, values["scan"])
        if len(self.faults) > before:
            return None
        side: Side = "face" if values["side"].casefold() == "face" else "reverse"
        return ManifestRow(
            found.line, scan, values["scroll"], values["source"], side,
            texts["portion"], texts["customs"], checksum,
        )  # fmt: skip

    def _fault(self, line: int, column: str, reason: str) -> None:
        self.faults.append(f"line {line}, column {column}: {reason}")

    def _check_names(self, line: int, values: Mapping[str, str]) -> None:
        """Names are short, plain and spelled in one way, and a scroll has one source."""
        for name in ("scroll", "source"):
            if len(values[name]) > MAX_NAME_CHARACTERS:
                self._fault(
                    line, name, f"the name is longer than {MAX_NAME_CHARACTERS} characters."
                )
            if any(unicodedata.category(c) == "Cc" for c in values[name]):
                self._fault(line, name, "the name holds a control character.")
        scroll, source = values["scroll"], values["source"]
        if not scroll or not source:
            return
        first, at = self._spelling_of_source.setdefault(source.casefold(), (source, line))
        if first != source:
            self._fault(line, "source", f"{source!r} is written {first!r} on line {at}.")
        first, at = self._source_of_scroll.setdefault(scroll.casefold(), (source, line))
        if first.casefold() != source.casefold():
            reason = f"line {at} names another source, {first!r}, for the scroll {scroll!r}."
            self._fault(line, "source", reason)

    def _check_setting(self, line: int, column: str, cell: str) -> str:
        """The portion or customs of a line; each value is read once."""
        value = cell or self.defaults[column]
        if cell and (self.folder / cell).is_file():
            value = str(self.folder / cell)
        if (column, value) not in self._fault_of_setting:
            self._fault_of_setting[column, value] = ""
            try:
                read_text_choice(value) if column == "portion" else load_customs(value)
            except (ValueError, OSError) as error:
                self._fault_of_setting[column, value] = _as_sentence(str(error))
        if self._fault_of_setting[column, value]:
            self._fault(line, column, self._fault_of_setting[column, value])
        return value

    def _check_scan(self, line: int, cell: str) -> tuple[Path, str]:
        """Path and checksum of a picture that no earlier line names; empty where there is none."""
        if not cell:
            return Path(), ""
        path = next((p for form in ("NFC", "NFD") if (p := self._path(cell, form)).is_file()), None)
        if path is None:
            reason = "is not a file" if self._path(cell, "NFC").exists() else "no such file"
            self._fault(line, "scan", f"{cell!r}: {reason}.")
            return Path(), ""
        at = self._line_of_file.setdefault(path.resolve(), line)
        if at != line:
            self._fault(line, "scan", f"{cell!r} stands on line {at} already.")
            return path, ""
        try:
            checksum = file_checksum(path)
        except OSError as error:
            self._fault(line, "scan", f"{cell!r} cannot be read ({error.strerror or error}).")
            return path, ""
        at = self._line_of_checksum.setdefault(checksum, line)
        if at != line:
            self._fault(line, "scan", f"{cell!r} is the same picture as that of line {at}.")
        return path, checksum

    def _path(self, cell: str, form: str) -> Path:
        """The path in one Unicode normal form: file systems keep one or the other."""
        return self.folder / unicodedata.normalize(form, cell)  # type: ignore[arg-type]


def _as_sentence(text: str) -> str:
    """The text with the stop that it may lack."""
    return text if text.endswith((".", "?")) else f"{text}."

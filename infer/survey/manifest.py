"""The manifest of a survey: which scan is which side of which scroll of which source.

Every line is checked before anything runs, and every fault is reported, not only the first.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path

from crownlet.datasets.files.atomic import file_checksum
from crownlet.datasets.files.errors import quoted
from crownlet.datasets.files.names import is_file
from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.scrolls.members import (
    SAME_WORD_SIMILARITY,
    ScrollTableError,
    TableLine,
    read_lines,
)
from crownlet.infer.scrolls.scroll import SIDES
from crownlet.infer.text.search import read_text_choice
from crownlet.infer.text.side import Side

REQUIRED_COLUMNS = ("scan", "scroll", "source", "side")

NAME_COLUMNS = ("scroll", "source", "scribe", "workshop")
"""Columns of names, which tables and reports replace by codes."""

MANIFEST_COLUMNS = (*REQUIRED_COLUMNS, "scribe", "workshop", "portion", "customs", "note")
"""Any other column is a covariate of the scroll, such as `date` or `price`."""

RESERVED_COLUMNS = frozenset({
    "answer", "basis", "code", "defect", "drawn", "found", "glyph", "inclusion_probability",
    "label", "letter", "line", "page", "predicted", "probability", "reader", "sha256", "weight",
})  # fmt: skip
"""Columns of the survey's tables, which no covariate may be named after."""

MEANT_COLUMNS = {
    "shop": "source", "seller": "source", "dealer": "source", "vendor": "source",
    "sofer": "scribe", "writer": "scribe", "atelier": "workshop",
}  # fmt: skip
"""Other words for names that a table may not show."""

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
    scribe: str = ""
    """Whose hand the scroll is; empty where it is not known."""
    workshop: str = ""
    covariates: tuple[tuple[str, str], ...] = ()
    """Names and values of the other columns; the same on every line of a scroll."""


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
    columns, lines = read_lines(path, None, REQUIRED_COLUMNS)
    checker = _ManifestChecker(path.parent, {"portion": portion, "customs": customs})
    checker.check_columns(columns)
    rows = [row for line in lines if (row := checker.check(columns, line)) is not None]
    checker.check_secrets(rows)
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
    _value_of_scroll: dict[tuple[str, str], tuple[str, int]] = field(default_factory=dict)
    """Value and line by the scroll's name and a column that belongs to the scroll."""
    _fault_of_setting: dict[tuple[str, str], str] = field(default_factory=dict)
    """By column and value; empty for one that can be read."""

    def check_columns(self, columns: Sequence[str]) -> None:
        """Names of covariates are plain words, and no slips for the known columns."""
        for place, name in enumerate(columns, start=1):
            if name in MANIFEST_COLUMNS:
                continue
            where = f"line 1, column {place}: {quoted(name)}"
            near = get_close_matches(name, MANIFEST_COLUMNS, 1, SAME_WORD_SIMILARITY)
            if meant := MEANT_COLUMNS.get(name) or next(iter(near), ""):
                self.faults.append(f"{where} is no column; did you mean {meant!r}?")
            elif name in RESERVED_COLUMNS or name.startswith("coded_"):
                self.faults.append(f"{where} is a column of the survey's own tables.")
            elif not re.fullmatch(r"[a-z][a-z0-9_]{0,39}", name):
                self.faults.append(
                    f"{where} names no covariate: lower-case letters a to z, digits and _ only."
                )

    def check_secrets(self, rows: Sequence[ManifestRow]) -> None:
        """A covariate that holds the name of a source or of a hand would undo the codes."""
        names = {
            name.casefold(): column
            for row in rows
            for column, name in (
                ("source", row.source), ("scribe", row.scribe), ("workshop", row.workshop)
            )
            if len(name) > 1
        }  # fmt: skip
        for row in rows:
            for column, value in row.covariates:
                for name in sorted(names):
                    if re.search(rf"(?<!\w){re.escape(name)}(?!\w)", value.casefold()):
                        self._fault(row.line, column, f"holds the name of a {names[name]}.")

    def check(self, columns: Sequence[str], found: TableLine) -> ManifestRow | None:
        """The row of a line; None where it has a fault."""
        before = len(self.faults)
        try:
            values = {**dict.fromkeys(MANIFEST_COLUMNS, ""), **found.named(columns)}
        except ValueError as error:
            self.faults.append(f"line {found.line}: {error}")
            return None
        for name in REQUIRED_COLUMNS:
            if not values[name]:
                self._fault(found.line, name, "is empty.")
        if values["side"] and values["side"].casefold() not in SIDES:
            reason = f"{quoted(values['side'])} is neither face nor reverse."
            self._fault(found.line, "side", reason)
        self._check_names(found.line, values)
        covariates = tuple((name, values[name]) for name in columns if name not in MANIFEST_COLUMNS)
        for name in ("scribe", "workshop", *(name for name, _ in covariates)):
            self._check_of_scroll(found.line, name, values)
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
            values["scribe"], values["workshop"], covariates,
        )  # fmt: skip

    def _fault(self, line: int, column: str, reason: str) -> None:
        self.faults.append(f"line {line}, column {column}: {reason}")

    def _check_names(self, line: int, values: Mapping[str, str]) -> None:
        """Names are short, plain and spelled in one way, and a scroll has one source."""
        for name in NAME_COLUMNS:
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
            reason = f"{quoted(source)} is written {quoted(first)} on line {at}."
            self._fault(line, "source", reason)
        first, at = self._source_of_scroll.setdefault(scroll.casefold(), (source, line))
        if first.casefold() != source.casefold():
            whose = f"{quoted(first)}, for the scroll {quoted(scroll)}"
            reason = f"line {at} names another source, {whose}."
            self._fault(line, "source", reason)

    def _check_of_scroll(self, line: int, column: str, values: Mapping[str, str]) -> None:
        """What belongs to the scroll is the same on each of its lines."""
        value, scroll = values[column], values["scroll"]
        if any(unicodedata.category(c) == "Cc" for c in value) and column not in NAME_COLUMNS:
            self._fault(line, column, "the value holds a control character.")
        if scroll:
            key = scroll.casefold(), column
            first, at = self._value_of_scroll.setdefault(key, (value, line))
            if first.casefold() != value.casefold():
                there = f"line {at} has {quoted(first)} for the scroll {quoted(scroll)}"
                reason = f"{there}, this one {quoted(value)}."
                self._fault(line, column, reason)

    def _check_setting(self, line: int, column: str, cell: str) -> str:
        """The portion or customs of a line; each value is read once."""
        value = cell or self.defaults[column]
        if cell and is_file(self.folder / cell):
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
        path = next((p for form in ("NFC", "NFD") if is_file(p := self._path(cell, form))), None)
        if path is None:
            reason = "is not a file" if _is_there(self._path(cell, "NFC")) else "no such file"
            self._fault(line, "scan", f"{quoted(cell)}: {reason}.")
            return Path(), ""
        at = self._line_of_file.setdefault(path.resolve(), line)
        if at != line:
            self._fault(line, "scan", f"{quoted(cell)} stands on line {at} already.")
            return path, ""
        try:
            checksum = file_checksum(path)
        except OSError as error:
            self._fault(line, "scan", f"{quoted(cell)} cannot be read ({error.strerror or error}).")
            return path, ""
        at = self._line_of_checksum.setdefault(checksum, line)
        if at != line:
            self._fault(line, "scan", f"{quoted(cell)} is the same picture as that of line {at}.")
        return path, checksum

    def _path(self, cell: str, form: str) -> Path:
        """The path in one Unicode normal form: file systems keep one or the other."""
        return self.folder / unicodedata.normalize(form, cell)  # type: ignore[arg-type]


def _is_there(path: Path) -> bool:
    try:
        return path.exists()
    except OSError:
        return False


def _as_sentence(text: str) -> str:
    """The text with the stop that it may lack."""
    return text if text.endswith((".", "?")) else f"{text}."

"""A finished run opened: its pages by name, and the scrolls to which they belong."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crownlet.infer.findings.severity import opinions_on_habit
from crownlet.infer.records import PageRecord
from crownlet.infer.run.names import SCROLLS_FILE
from crownlet.infer.run.pictures import CROP_SIZE_PX, Crop, PictureReader, Pixels, crop_window
from crownlet.infer.run.read import read_record
from crownlet.infer.run.tables import RECORD_ERRORS, RunError, cause_of, read_json
from crownlet.infer.run.typed import strings

if TYPE_CHECKING:
    from crownlet.infer.findings.finding import Finding
    from crownlet.infer.records import Measurement


class StoredPage:
    """A page's record, findings and measurements, and the picture they were made from."""

    def __init__(self, folder: Path, pictures: PictureReader) -> None:
        self.name = folder.name
        self.folder = folder
        self._pictures = pictures

    @cached_property
    def record(self) -> PageRecord:
        """The page as inspected; RunError names a table that cannot be read."""
        return read_record(self.folder)

    @cached_property
    def findings(self) -> tuple[Finding, ...]:
        """The rows of findings.csv; empty in runs older than that table. RunError as for
        `record`."""
        return self._findings(self.record)

    def brief(self) -> tuple[PageRecord, tuple[Finding, ...]]:
        """Record and findings without measurements, read in half the time and not kept."""
        record = read_record(self.folder, measured=False)
        return record, self._findings(record)

    @property
    def has_findings(self) -> bool:
        """Whether the page has a findings.csv, which runs of old versions lack."""
        return (self.folder / "findings.csv").is_file()

    def _findings(self, record: PageRecord) -> tuple[Finding, ...]:
        path = self.folder / "findings.csv"
        if not self.has_findings:
            return ()
        from crownlet.infer.run.tables import read_findings

        try:
            findings = read_findings(path, record.measurements)
        except (OSError, ValueError, csv.Error) as error:
            raise RunError(path, f"cannot be read ({cause_of(error)}).") from None
        most = len(record.glyphs)
        wrong = next((f for f in findings if not all(1 <= g <= most for g in f.glyphs)), None)
        if wrong is not None:
            raise RunError(path, f"finding {wrong.number} is about a letter that is not there.")
        return _with_opinions_of_statements(findings, record)

    @property
    def measurements(self) -> tuple[Measurement, ...]:
        """The rows of measures.csv; empty in runs older than that table."""
        return self.record.measurements

    @cached_property
    def image(self) -> tuple[str, str]:
        """Path and SHA-256 of the picture that was inspected, the latter "" for an array.

        Read without the page's tables; RunError if it cannot be read.
        """
        path = self.folder / "page.json"
        try:
            image = read_json(path)["image"]
            return str(image["path"]), str(image["sha256"])
        except (KeyError, TypeError):
            raise RunError(path, "says nothing of the picture.") from None

    @property
    def checksum(self) -> str:
        """SHA-256 of the picture file that was inspected; "" for an array."""
        return self.image[1]

    @cached_property
    def names(self) -> frozenset[int]:
        """Letters in a Divine Name, read without the page's tables; RunError as for `record`."""
        path = self.folder / "page.json"
        try:
            return frozenset(map(int, read_json(path).get("in_divine_names", ())))
        except RECORD_ERRORS:
            raise RunError(path, "in_divine_names is no list of letters.") from None

    def check_picture(self) -> None:
        """PageError if the picture has moved or changed since."""
        self._pictures.check(self.record.image)

    def pixels(self) -> Pixels:
        """The page as given, (H, W, 3) RGB uint8, read-only.

        PageError if the picture has moved or changed since.
        """
        return self._pictures.read(self.record.image)

    def crop(self, glyph: int, size: tuple[int, int] = CROP_SIZE_PX) -> Crop:
        """The window around a letter, by its number; PageError as for `pixels`."""
        letter = self.record.glyphs[glyph - 1]
        return crop_window(self.pixels(), letter.box, letter.q, size)


@dataclass(frozen=True)
class StoredScroll:
    """The pages of one scroll, by name, and its source if it was given."""

    name: str
    faces: tuple[str, ...]
    reverses: tuple[str, ...] = ()
    source: str | None = None
    notes: tuple[str, ...] = ()

    @property
    def pages(self) -> tuple[str, ...]:
        """Faces first."""
        return self.faces + self.reverses


class Run:
    """A folder of inspected pages, in the order of their names."""

    def __init__(self, folder: Path, names: Iterable[str]) -> None:
        self.folder = folder
        pictures = PictureReader(folder)
        self.pages = {name: StoredPage(folder / name, pictures) for name in names}

    @cached_property
    def scrolls(self) -> tuple[StoredScroll, ...]:
        """The scrolls of scrolls.json; a page that it leaves out is a scroll of its own."""
        listed = _read_scrolls(self.folder / SCROLLS_FILE, self.pages)
        known = {page for scroll in listed for page in scroll.pages}
        alone = (StoredScroll(name, (name,)) for name in self.pages if name not in known)
        return (*listed, *alone)

    def scroll_of(self, page: str) -> StoredScroll:
        """The scroll to which a page belongs; KeyError if the run has no such page."""
        return self._scroll_of[page]

    @cached_property
    def _scroll_of(self) -> dict[str, StoredScroll]:
        return {page: scroll for scroll in self.scrolls for page in scroll.pages}


def open_run(path: str | Path) -> Run:
    """Open the run in a folder; its pages are read when they are used.

    RunError if there is no such folder, or no inspected page in it.
    """
    folder = Path(path)
    if not folder.is_dir():
        what = "is a file, not the folder of a run." if folder.exists() else "there is no such run."
        raise RunError(folder, what)
    try:
        names = sorted(
            p.name for p in folder.iterdir() if not p.name.startswith(".") and _is_page_folder(p)
        )
    except OSError as error:
        raise RunError(folder, f"cannot be read ({error.strerror or error}).") from None
    if not names:
        raise RunError(folder, "holds no inspected page; make a run with `crownlet inspect`.")
    return Run(folder, names)


def _with_opinions_of_statements(
    findings: tuple[Finding, ...], record: PageRecord
) -> tuple[Finding, ...]:
    """Findings on a hand with the opinions on the letters that they name, as they were written.

    The table holds one letter at most, and without one the opinions on all letters.
    """
    habits = {(habit.defect, habit.message): habit for habit in record.habits}
    return tuple(
        replace(finding, opinions=opinions_on_habit(habit))
        if finding.scope == "page" and (habit := habits.get((finding.kind, finding.message)))
        else finding
        for finding in findings
    )


def _is_page_folder(folder: Path) -> bool:
    return (folder / "page.json").is_file() and (folder / "glyphs.csv").is_file()


def _read_scrolls(path: Path, pages: Mapping[str, StoredPage]) -> tuple[StoredScroll, ...]:
    """The scrolls of scrolls.json, as far as their pages are in the run."""
    if not path.is_file():
        return ()
    try:
        scrolls = [_scroll(entry, pages) for entry in read_json(path)["scrolls"]]
    except RECORD_ERRORS as error:
        raise RunError(path, f"is no list of scrolls ({cause_of(error)}).") from None
    return tuple(scroll for scroll in scrolls if scroll.pages)


def _scroll(entry: dict[str, Any], pages: Mapping[str, StoredPage]) -> StoredScroll:
    source = entry.get("source")
    return StoredScroll(
        name=str(entry["name"]),
        faces=tuple(page for page in entry["faces"] if page in pages),
        reverses=tuple(page for page in entry["reverses"] if page in pages),
        source=str(source) if source else None,
        notes=strings(entry.get("notes", ()), "notes"),
    )

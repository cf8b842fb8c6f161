"""One page of a finished run; nothing of it is read before it is asked for."""

from __future__ import annotations

from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from crownlet.infer.records import PageRecord
from crownlet.infer.run.crops import SIZE, Crop, crop
from crownlet.infer.run.pictures import Pictures, Pixels
from crownlet.infer.run.record import read_record
from crownlet.infer.run.tables import RunError, read_json

if TYPE_CHECKING:
    from crownlet.infer.findings import Finding
    from crownlet.infer.measuring import Measurement


class StoredPage:
    """A page's record, findings and measurements, and the picture they were made from."""

    def __init__(self, folder: Path, pictures: Pictures) -> None:
        self.name = folder.name
        self.folder = folder
        self._pictures = pictures

    @cached_property
    def record(self) -> PageRecord:
        """The page as inspected; RunError names a table that cannot be read."""
        return read_record(self.folder)

    @cached_property
    def findings(self) -> tuple[Finding, ...]:
        """What findings.csv lists; empty in runs made before it was written. RunError as above."""
        return self._findings(self.measurements)

    def brief(self) -> tuple[PageRecord, tuple[Finding, ...]]:
        """Record and findings without measurements, read in half the time and not kept."""
        return read_record(self.folder, measured=False), self._findings(())

    def _findings(self, measurements: tuple[Measurement, ...]) -> tuple[Finding, ...]:
        path = self.folder / "findings.csv"
        if not path.is_file():
            return ()
        from crownlet.infer.findings import read_findings

        try:
            return read_findings(path, measurements)
        except (OSError, ValueError) as error:
            raise RunError(path, f"cannot be read ({error}).") from None

    @property
    def measurements(self) -> tuple[Measurement, ...]:
        """What measures.csv lists; empty in runs made before it was written."""
        return self.record.measurements

    @cached_property
    def image(self) -> tuple[str, str]:
        """Path and SHA-256 of the picture that was inspected, the latter "" for an array.

        Read without the page's tables; RunError where that cannot be.
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
        return frozenset(read_json(self.folder / "page.json").get("in_divine_names", ()))

    def pixels(self) -> Pixels:
        """The page as given, (H, W, 3) RGB uint8, not to be written to.

        PageError if the picture has moved or changed since.
        """
        return self._pictures.read(self.record.image)

    def crop(self, glyph: int, size: tuple[int, int] = SIZE) -> Crop:
        """The window around a letter, by its number; PageError as for `pixels`."""
        letter = self.record.glyphs[glyph - 1]
        return crop(self.pixels(), letter.box, letter.q, size)

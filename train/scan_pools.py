"""Labelled scans as pools of examples: which pages teach, which are watched, and from which bytes.

A source is the folder of a data set (`crownlet.datasets.scans`), with splits of its own, or a COCO
file, all of which teaches.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from crownlet.datasets.coco import load_coco
from crownlet.datasets.files import file_checksum
from crownlet.datasets.page.truth import PageTruth
from crownlet.datasets.scans.reading import open_scans
from crownlet.train.pool import fill

Part = Literal["train", "validation", "calibrate", "test"]
MARK = "source.txt"
"""Beside the examples: the fingerprint of what they were cut from, written when all are there."""


@dataclass(frozen=True)
class Scans:
    """Labelled scans, their share of every batch (0 to 1), and how often each page is cut up.

    Every cut draws other crops, places, sizes and blurs of the same page.
    """

    sources: tuple[Path, ...] = ()
    share: float = 0.0
    copies: int = 1


def paths_of(given: Any) -> tuple[Path, ...]:
    """Paths of a configuration: none, one, or a list."""
    return tuple(Path(path) for path in ([given] if isinstance(given, str) else given or ()))


def scan_pages(source: Path, part: Part) -> Iterator[PageTruth]:
    """The pages of one part; LabelError names what cannot be used."""
    if source.is_dir():
        yield from open_scans(source).pages(part)
    elif part == "train":
        yield from load_coco(source)


def fingerprint(source: Path) -> str:
    """SHA-256 of a file, or of a data set's manifest, which lists the checksums of all in it."""
    if source.is_dir():
        return open_scans(source).checksum
    return file_checksum(source)


def facts_of(source: Path) -> dict[str, object]:
    """Name, checksum and, of a data set, version, for the card."""
    version = {"version": open_scans(source).version} if source.is_dir() else {}
    return {"name": source.name, **version, "sha256": fingerprint(source)}


def fill_pool(folder: Path, source: Path, part: Part, copies: int) -> int:
    """Cut examples out of one part into `folder`, unless they are there; the number of files.

    What was cut from other bytes, or not to the end, makes room.
    """
    mark, wanted = folder / MARK, f"{fingerprint(source)} {part} {copies}\n"
    if not (mark.exists() and mark.read_text("utf-8") == wanted):
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        fill(folder, _copies(source, part, copies))
        mark.write_text(wanted, "utf-8")
    return sum(1 for _ in folder.glob("*.npz"))


def _copies(source: Path, part: Part, copies: int) -> Iterator[tuple[str, PageTruth]]:
    for number, page in enumerate(scan_pages(source, part)):
        for copy in range(copies):
            yield f"s{number:06d}c{copy:03d}", page

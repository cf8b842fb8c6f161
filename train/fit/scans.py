"""Labelled scans cut into examples: before the first step, and afresh while training runs."""

from __future__ import annotations

import itertools
import multiprocessing as mp
import shutil
import time
from collections.abc import Iterator
from dataclasses import dataclass
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any, Literal

import cv2

from crownlet.datasets.coco.read import load_coco
from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.files.atomic import file_checksum
from crownlet.datasets.scans.manifest import open_scans
from crownlet.train.fit.errors import TrainingError
from crownlet.train.fit.pool import Paint, fill_pool_from, prepare_examples, prepare_wide

ScanPart = Literal["train", "validation", "calibrate", "test"]

CUTS_FOLDER = "cuts"
"""In the folder of a run: scans that are cut up while it trains."""

CUTTING = "cutting"
"""Name of the process that does it."""

SOURCE_FILE = "source.txt"
"""Beside the examples: the fingerprint of what they were cut from, written when all are there."""


@dataclass(frozen=True)
class Scans:
    """Labelled scans, their share of every batch (0 to 1), and how often each page is cut up
    before the first step.

    Every cut draws other crops, places, sizes and blurs of the same page.
    """

    sources: tuple[Path, ...] = ()
    share: float = 0.0
    copies: int = 1
    fresh: bool = False
    """Whether pages are cut up again and again while training runs, no two times alike."""
    paint: Paint = "processor"
    """`device`: examples keep room about them, and are cut out anew for each showing."""


def scans_from(
    sources: Any, share: float, copies: int, fresh: bool, paint: Paint = "processor"
) -> Scans:
    """Scans as a configuration describes them."""
    return Scans(paths_of(sources), share, copies, fresh, paint)


def paths_of(given: Any) -> tuple[Path, ...]:
    """Paths of a configuration: none, one, or a list."""
    return tuple(Path(path) for path in ([given] if isinstance(given, str) else given or ()))


def scan_pages(source: Path, part: ScanPart) -> Iterator[PageTruth]:
    """The pages of one part; LabelError names what cannot be used."""
    if source.is_dir():
        yield from open_scans(source).pages(part)
    elif part == "train":
        yield from load_coco(source)


def require_pages(source: Path, part: ScanPart, setting: str) -> None:
    """TrainingError if a data set holds no labelled page in a part that a job is to read.

    `setting` is the key of the configuration that names the data set. Jobs ask before their work,
    which takes hours.
    """
    if source.is_dir() and next(iter(scan_pages(source, part)), None) is None:
        raise TrainingError(
            f"{setting}={source}: no labelled page stands in its part {part}, which is read here;"
            f" add scrolls with crownlet-scans add --split {part}, or leave {setting} out"
        )


def fingerprint(source: Path) -> str:
    """SHA-256 of a file, or of a data set's manifest, which lists the checksums of all in it."""
    if source.is_dir():
        return open_scans(source).checksum
    return file_checksum(source)


def scan_facts(source: Path) -> dict[str, object]:
    """Name, checksum and, of a data set, version, for the card."""
    version = {"version": open_scans(source).version} if source.is_dir() else {}
    return {"name": source.name, **version, "sha256": fingerprint(source)}


def scan_pool(
    pool: Path, source: Path, part: ScanPart, copies: int, paint: Paint = "processor"
) -> Path:
    """The folder of the examples cut out of one part of a data set, named by its checksum."""
    kind = "" if paint == "processor" else "-wide"
    return pool / f"scans-{fingerprint(source)[:12]}-{part}-{copies}{kind}"


def fill_pool(
    folder: Path, source: Path, part: ScanPart, copies: int, paint: Paint = "processor"
) -> int:
    """Cut examples out of one part into `folder`, unless they are there; the number of files.

    What was cut from other bytes, or not to the end, makes room.
    """
    mark, wanted = folder / SOURCE_FILE, f"{fingerprint(source)} {part} {copies}\n"
    if not (mark.exists() and mark.read_text("utf-8") == wanted):
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        fill_pool_from(folder, _repeat_pages(source, part, copies), _PREPARE[paint])
        mark.write_text(wanted, "utf-8")
    return sum(1 for _ in folder.glob("*.npz"))


_PREPARE = {"processor": prepare_examples, "device": prepare_wide}


def _repeat_pages(source: Path, part: ScanPart, copies: int) -> Iterator[tuple[str, PageTruth]]:
    for number, page in enumerate(scan_pages(source, part)):
        for copy in range(copies):
            yield _cut_name(number, copy), page


def _cut_name(page: int, copy: int) -> str:
    return f"s{page:06d}c{copy:06d}"


def cut_afresh(
    folder: Path, source: Path, first: int, passes: int | None = None, paint: Paint = "processor"
) -> None:
    """Cut the pages to learn from up once more and again, from the copy `first` on, into `folder`.

    Files of two passes before make room. Between two pages it rests as long as it worked, so that
    a machine of two cores still trains. Without `passes` it never ends.
    """
    cv2.setNumThreads(1)
    copies = itertools.count(first) if passes is None else range(first, first + passes)
    for copy in copies:
        for number, page in enumerate(scan_pages(source, "train")):
            began = time.monotonic()
            fill_pool_from(folder, [(_cut_name(number, copy), page)], _PREPARE[paint])
            (folder / f"{_cut_name(number, copy - 2)}.npz").unlink(missing_ok=True)
            if passes is None:
                time.sleep(time.monotonic() - began)


def start_cutting(
    folder: Path, source: Path, first: int, paint: Paint = "processor"
) -> BaseProcess:
    """Start a process that does `cut_afresh` into an empty folder."""
    shutil.rmtree(folder, ignore_errors=True)
    context = mp.get_context("spawn")
    process = context.Process(
        target=cut_afresh, args=(folder, source, first, None, paint), daemon=True, name=CUTTING
    )
    process.start()
    return process

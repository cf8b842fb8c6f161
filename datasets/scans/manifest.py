"""A data set folder: its scans with their hands, splits, origins and checksums, and their pages.

FOLDER/manifest.yaml    the list, with the version, raised by one at every change
FOLDER/scans/           the pictures, byte for byte as they came
FOLDER/labels/          one COCO file per scan
FOLDER/texts/           the written lines, where only those were known
FOLDER/datasheet.md     for readers
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path, PurePosixPath
from typing import Any

import yaml

from crownlet.datasets.coco.read import LabelError, load_coco
from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.files.atomic import write_file
from crownlet.datasets.files.documents import parse_yaml, read_small_file

MANIFEST_FORMAT = 1

MAX_MANIFEST_BYTES = 256_000_000
"""A scan takes 500 bytes."""

MANIFEST = "manifest.yaml"

SPLITS = ("train", "validation", "calibrate", "test")
"""For learning; for watching the training; for thresholds; for measuring and nothing else."""


@dataclass(frozen=True)
class Scan:
    """One picture of the data set; paths are relative to its folder, with `/`."""

    file: str
    sha256: str
    likeness: str
    """Perceptual hash (`pictures.perceptual_hash`), 64 hexadecimal digits."""
    scroll: str
    """The hand: all pages of one scroll stand in one split."""
    split: str
    provenance: str
    licence: str = ""
    consent: str = ""
    labels: str | None = None
    """COCO file of this scan alone; None while nothing is labelled."""
    labels_sha256: str | None = None
    labelled: str = ""
    """By whom or what, as the datasheet gives it."""
    text: str | None = None
    """File of the written lines, where they are known."""
    text_sha256: str | None = None


@dataclass(frozen=True)
class Manifest:
    """The list of scans, with its version and what was done to it."""

    version: int = 0
    scans: tuple[Scan, ...] = ()
    changes: tuple[str, ...] = ()
    """One sentence for each version, from version 1 on."""

    def changed(self, scans: tuple[Scan, ...], what: str) -> Manifest:
        """The next version."""
        return replace(self, version=self.version + 1, scans=scans, changes=(*self.changes, what))


def sha256(data: bytes) -> str:
    """Checksum in hexadecimal digits."""
    return hashlib.sha256(data).hexdigest()


def read_manifest(folder: Path) -> Manifest:
    """The manifest of a data set; LabelError, in one sentence, if it is none."""
    path = folder / MANIFEST
    try:
        data = parse_yaml(read_small_file(path, MAX_MANIFEST_BYTES))
    except (FileNotFoundError, NotADirectoryError):
        raise LabelError(f"{folder} is no data set: it has no {MANIFEST}") from None
    except OSError as error:
        raise LabelError(f"{path} cannot be read ({error.strerror or error})") from None
    except ValueError as error:
        raise LabelError(f"{path} is not YAML: {error}") from None
    if not isinstance(data, dict) or data.get("format") != MANIFEST_FORMAT:
        raise LabelError(f"{path} is no manifest of format {MANIFEST_FORMAT}")
    try:
        return Manifest(
            int(data["version"]),
            tuple(
                _read_scan(path, number, row) for number, row in enumerate(data["scans"], start=1)
            ),
            tuple(str(what) for what in data["changes"]),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        if isinstance(error, LabelError):
            raise
        raise LabelError(f"{path} is damaged: {error!r}") from None


def _read_scan(path: Path, number: int, row: Mapping[str, Any]) -> Scan:
    names = {field.name for field in fields(Scan)}
    unknown = sorted(set(row) - names)
    if unknown:
        raise LabelError(f"{path}: scan {number} has the unknown entry {unknown[0]}")
    values: dict[str, Any] = {k: v if v is None else str(v) for k, v in row.items()}
    scan = Scan(**values)
    for name in (scan.file, scan.labels, scan.text):
        if name is not None and (PurePosixPath(name).is_absolute() or ".." in name.split("/")):
            raise LabelError(f"{path}: scan {number} lies outside the data set: {name}")
    return scan


def manifest_bytes(manifest: Manifest) -> bytes:
    """The file's content: the same for the same manifest."""
    data = {
        "format": MANIFEST_FORMAT,
        "version": manifest.version,
        "changes": list(manifest.changes),
        "scans": [
            {name: value for name, value in asdict(scan).items() if value not in (None, "")}
            for scan in sorted(manifest.scans, key=lambda scan: scan.file)
        ],
    }
    text: str = yaml.safe_dump(data, allow_unicode=True, sort_keys=False, width=10_000)
    return text.encode("utf-8")


def write_manifest(folder: Path, manifest: Manifest) -> None:
    """Write the manifest, whole or not at all; OSError if it cannot be written."""
    write_file(folder / MANIFEST, manifest_bytes(manifest))


@dataclass(frozen=True)
class ScanDataset:
    """A data set opened for reading."""

    folder: Path
    manifest: Manifest
    checksum: str
    """SHA-256 of the manifest, which lists the checksums of all scans and labels."""

    @property
    def version(self) -> int:
        """Raised by one at every change."""
        return self.manifest.version

    def labelled(self, split: str) -> tuple[Scan, ...]:
        """The labelled scans of one split, in the manifest's order."""
        if split not in SPLITS:
            raise LabelError(f"{split!r} is no split; there are {', '.join(SPLITS)}")
        return tuple(s for s in self.manifest.scans if s.split == split and s.labels)

    def pages(self, split: str) -> Iterator[PageTruth]:
        """The labelled pages of one split, each read when its turn comes.

        `meta` names the scroll, the file and the version. LabelError if a file is gone, damaged,
        or no longer the one that was added.
        """
        for scan in self.labelled(split):
            yield self.page(scan)

    def page(self, scan: Scan) -> PageTruth:
        """One labelled page; LabelError as above."""
        labels = str(scan.labels)
        for name, checksum in ((scan.file, scan.sha256), (labels, scan.labels_sha256)):
            path = self.folder / name
            if not path.is_file():
                raise LabelError(f"{path} is gone")
            if sha256(path.read_bytes()) != checksum:
                raise LabelError(f"{path} has changed since it was added (its checksum differs)")
        pages = load_coco(self.folder / labels, (self.folder / scan.file).parent)
        if len(pages) != 1:
            raise LabelError(f"{self.folder / labels} labels {len(pages)} pictures, not one")
        own = {"scroll": scan.scroll, "file": scan.file, "dataset_version": self.version}
        return replace(pages[0], meta=pages[0].meta | own)


def open_scans(folder: str | Path) -> ScanDataset:
    """Open a data set; LabelError, in one sentence, if it cannot be read."""
    folder = Path(folder)
    manifest = read_manifest(folder)
    return ScanDataset(folder, manifest, sha256((folder / MANIFEST).read_bytes()))

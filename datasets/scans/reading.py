"""The pages of a data set, for training and measuring."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from crownlet.datasets.coco import load_coco
from crownlet.datasets.coco_read import LabelError
from crownlet.datasets.page.truth import PageTruth
from crownlet.datasets.scans.manifest import (
    MANIFEST,
    SPLITS,
    Manifest,
    Scan,
    read_manifest,
    sha256,
)


@dataclass(frozen=True)
class Scans:
    """A data set opened for reading."""

    folder: Path
    manifest: Manifest
    checksum: str
    """SHA-256 of the manifest, which lists the checksums of all scans and labels."""

    @property
    def version(self) -> int:
        """Raised by one at every change."""
        return self.manifest.version

    def of(self, split: str) -> tuple[Scan, ...]:
        """The labelled scans of one split, in the manifest's order."""
        if split not in SPLITS:
            raise LabelError(f"{split!r} is no split; there are {', '.join(SPLITS)}")
        return tuple(s for s in self.manifest.scans if s.split == split and s.labels)

    def pages(self, split: str) -> Iterator[PageTruth]:
        """The labelled pages of one split, each read when its turn comes.

        `meta` names the scroll, the file and the version. LabelError if a file is gone, damaged,
        or no longer the one that was added.
        """
        for scan in self.of(split):
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


def open_scans(folder: str | Path) -> Scans:
    """Open a data set; LabelError says in one sentence why it cannot be read."""
    folder = Path(folder)
    manifest = read_manifest(folder)
    return Scans(folder, manifest, sha256((folder / MANIFEST).read_bytes()))

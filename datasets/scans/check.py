"""Every wrong record of a data set folder, scans and hands in two splits among them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from crownlet.datasets.coco.read import LabelError
from crownlet.datasets.scans.check_coco import coco_complaints
from crownlet.datasets.scans.complaint import Complaint
from crownlet.datasets.scans.imports import read_json
from crownlet.datasets.scans.manifest import MANIFEST, SPLITS, Scan, read_manifest, sha256
from crownlet.datasets.scans.pictures import MAX_COPY_DISTANCE_BITS, hamming_distance, read_picture
from crownlet.datasets.scribal.portion import read_lines


def find_leaks(scans: Sequence[Scan]) -> Iterator[Complaint]:
    """A complaint for each scan of a later split that an earlier one has, or whose hand it has."""
    split_of: dict[str, Scan] = {}
    for scan in scans:
        first = split_of.setdefault(scan.scroll, scan)
        if first.split != scan.split:
            yield Complaint(
                scan.file, "", f"scroll {scan.scroll} is in {first.split} already ({first.file})"
            )
    for number, scan in enumerate(scans):
        for other in scans[:number]:
            if other.split == scan.split and other.sha256 != scan.sha256:
                continue
            if other.sha256 == scan.sha256:
                yield Complaint(scan.file, "", f"is the same picture as {other.file}")
            elif _looks_like_copy(scan, other):
                yield Complaint(
                    scan.file, "", f"looks like a copy of {other.file}, which is in {other.split}"
                )


def _looks_like_copy(one: Scan, other: Scan) -> bool:
    try:
        return hamming_distance(one.likeness, other.likeness) <= MAX_COPY_DISTANCE_BITS
    except ValueError:
        return False


def check_dataset(folder: Path) -> list[Complaint]:
    """One complaint for each wrong record; none for a folder that is in order.

    LabelError if the folder is no data set at all.
    """
    manifest = read_manifest(folder)
    found: list[Complaint] = []
    seen: set[str] = set()
    for scan in manifest.scans:
        if scan.file in seen:
            found.append(Complaint(MANIFEST, scan.file, "is listed twice"))
        seen.add(scan.file)
        found += _check_entry(scan)
        found += _check_files(folder, scan)
    found += find_leaks(manifest.scans)
    if len(manifest.changes) != manifest.version:
        why = f"is version {manifest.version}, with {len(manifest.changes)} changes listed"
        found.append(Complaint(MANIFEST, "", why))
    found += _find_unlisted(folder, seen)
    return found


def _check_entry(scan: Scan) -> Iterator[Complaint]:
    if scan.split not in SPLITS:
        yield Complaint(MANIFEST, scan.file, f"{scan.split!r} is no split")
    for name in ("scroll", "provenance"):
        if not getattr(scan, name):
            yield Complaint(MANIFEST, scan.file, f"its {name} is not given")


def _check_files(folder: Path, scan: Scan) -> Iterator[Complaint]:
    """Pictures, labels and texts that are gone, changed, or wrong in themselves."""
    from crownlet.datasets.files.errors import FileFault

    sizes: dict[str, tuple[int, int] | None] = {}
    if not (folder / scan.file).is_file():
        yield Complaint(scan.file, "", "is gone")
    else:
        try:
            picture = read_picture(folder / scan.file)
            sizes[Path(scan.file).name] = picture.size
            if picture.sha256 != scan.sha256:
                yield Complaint(scan.file, "", "has changed: its checksum is another")
        except FileFault as error:
            sizes[Path(scan.file).name] = None
            yield Complaint(scan.file, "", error.reason.rstrip("."))
    for name, checksum in ((scan.labels, scan.labels_sha256), (scan.text, scan.text_sha256)):
        if name is None:
            continue
        path = folder / name
        if not path.is_file():
            yield Complaint(name, "", "is gone")
            continue
        if sha256(path.read_bytes()) != checksum:
            yield Complaint(name, "", "has changed: its checksum is another")
        try:
            if name == scan.labels:
                yield from coco_complaints(read_json(path), name, sizes)
            else:
                read_lines(path)
        except (LabelError, ValueError) as error:
            yield Complaint(name, "", str(error))


def _find_unlisted(folder: Path, seen: set[str]) -> Iterator[Complaint]:
    """Pictures that the manifest does not list."""
    for path in sorted((folder / "scans").glob("*")):
        name = path.relative_to(folder).as_posix()
        if name not in seen and not path.name.startswith("."):
            yield Complaint(name, "", f"is not listed in {MANIFEST}")

"""Scans come into a data set, with labels or without: all of them, or none and every reason why."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from crownlet.datasets.coco_read import LabelError
from crownlet.datasets.files import write_whole
from crownlet.datasets.scans.arrivals import Arrival, arrivals
from crownlet.datasets.scans.complaints import Complaint
from crownlet.datasets.scans.datasheet import write_datasheet
from crownlet.datasets.scans.manifest import (
    MANIFEST,
    SPLITS,
    Manifest,
    Scan,
    read_manifest,
    sha256,
    write_manifest,
)
from crownlet.datasets.scans.merging import merged
from crownlet.datasets.scans.sameness import leaks


@dataclass(frozen=True)
class Source:
    """Where scans come from and where they go."""

    scans: Sequence[Path]
    """Picture files, or folders of them."""
    split: str
    provenance: str
    labels: Sequence[Path] = ()
    """One COCO file, or PAGE-XML and ALTO files; none for scans that nobody has labelled."""
    scroll: str | None = None
    """The hand; None where the labels name it."""
    licence: str = ""
    consent: str = ""


def add(folder: Path, source: Source, renew: bool = False) -> tuple[Manifest, list[Complaint]]:
    """Add scans to the data set in `folder`, which is made if it is not there.

    `renew` lets a scan that is already there get new labels. Returns the manifest and, where
    anything is wrong, one complaint for each record; then nothing was changed. LabelError for
    files that cannot be read at all.
    """
    if source.split not in SPLITS:
        raise LabelError(f"{source.split!r} is no split; there are {', '.join(SPLITS)}")
    if not source.provenance.strip():
        raise LabelError("say where the scans come from")
    old = read_manifest(folder) if (folder / MANIFEST).is_file() else Manifest()
    came, wrong = arrivals(source.scans, source.labels)
    fresh = [(arrival, _scan(arrival, source, old)) for arrival in came]
    wrong += _refused(old, fresh, renew)
    if wrong or not fresh:
        return old, wrong or [Complaint(str(folder), "", "there is nothing to add")]
    return _written(folder, old, fresh), []


def _scan(arrival: Arrival, source: Source, old: Manifest) -> Scan:
    """The entry of a scan; of one that is there already, the old one."""
    picture = arrival.picture
    for scan in old.scans:
        if scan.sha256 == picture.sha256:
            return scan
    name = f"{picture.path.stem}-{picture.sha256[:8]}{picture.path.suffix.lower()}"
    return Scan(
        f"scans/{name}", picture.sha256, picture.likeness,
        source.scroll or arrival.scroll or "", source.split, source.provenance.strip(),
        source.licence, source.consent,
    )  # fmt: skip


def _refused(old: Manifest, fresh: Sequence[tuple[Arrival, Scan]], renew: bool) -> list[Complaint]:
    """Copies, scrolls in two splits, and scans of no scroll."""
    known = {scan.sha256 for scan in old.scans}
    seen: dict[str, str] = {}
    found = []
    for arrival, scan in fresh:
        name = str(arrival.picture.path)
        if scan.sha256 in known and not (renew and arrival.labels):
            found.append(Complaint(name, "", f"is in the data set already, as {scan.file}"))
        elif scan.sha256 in seen:
            found.append(Complaint(name, "", f"is the same picture as {seen[scan.sha256]}"))
        elif not scan.scroll:
            found.append(Complaint(name, "", "say of which scroll it is"))
        seen[scan.sha256] = name
    new = [scan for _, scan in fresh if scan.sha256 not in known]
    return found + list(leaks((*old.scans, *new)))


def _written(folder: Path, old: Manifest, fresh: Sequence[tuple[Arrival, Scan]]) -> Manifest:
    """Pictures and labels first, the manifest last: a killed run leaves the old version."""
    scans = {scan.file: scan for scan in old.scans}
    added = sum(scan.file not in scans for _, scan in fresh)
    for arrival, scan in fresh:
        if scan.file not in scans:
            write_whole(folder / scan.file, arrival.picture.path.read_bytes())
        scans[scan.file] = _with_files(folder, arrival, scan)
    split, renewed = fresh[0][1].split, len(fresh) - added
    told = [f"{added} added to {split}"] if added else []
    told += [f"{renewed} labelled anew"] if renewed else []
    new = old.changed(tuple(scans.values()), f"Scans: {', '.join(told)}.")
    return keep(folder, old, new)


def keep(folder: Path, old: Manifest, new: Manifest) -> Manifest:
    """Write a new version with its datasheet, and delete labels that only the old version names.

    Files that no manifest named belong to somebody else, wherever they stand, and stay.
    """
    write_manifest(folder, new)
    write_datasheet(folder, new)
    for name in sorted(_named(old) - _named(new)):
        (folder / name).unlink(missing_ok=True)
    return new


def _named(manifest: Manifest) -> set[str]:
    """Files of labels and of texts: only those are ever replaced."""
    names = {name for scan in manifest.scans for name in (scan.labels, scan.text) if name}
    return {name for name in names if name.startswith(("labels/", "texts/"))}


def _with_files(folder: Path, arrival: Arrival, scan: Scan) -> Scan:
    if arrival.text is not None:
        data = arrival.text.encode("utf-8")
        name = label_name("texts", scan, data, ".txt")
        write_whole(folder / name, data)
        scan = replace(scan, text=name, text_sha256=sha256(data))
    if arrival.labels is None:
        return scan
    labels = arrival.labels
    labels["images"][0]["file_name"] = Path(scan.file).name
    if scan.labels is not None:
        labels = merged(json.loads((folder / scan.labels).read_text("utf-8")), labels)
    return labelled(folder, scan, labels, arrival.how)


def labelled(folder: Path, scan: Scan, labels: dict[str, object], how: str) -> Scan:
    """Write the labels of a scan; the scan with them."""
    data = (json.dumps(labels, ensure_ascii=False, indent=1) + "\n").encode("utf-8")
    name = label_name("labels", scan, data, ".json")
    write_whole(folder / name, data)
    return replace(scan, labels=name, labels_sha256=sha256(data), labelled=how)


def label_name(kind: str, scan: Scan, data: bytes, suffix: str) -> str:
    """A name that differs with the content, so that the old version lives until the new one."""
    return f"{kind}/{Path(scan.file).stem}.{sha256(data)[:8]}{suffix}"

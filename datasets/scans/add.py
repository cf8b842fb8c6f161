"""Add scans to a data set, with or without labels: all of them, or none and every reason why.

New labels of a scan are merged with those it has: what was not looked at again stays as it was.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from crownlet.datasets.coco.read import LabelError, annotation_attributes, present_defects
from crownlet.datasets.files.atomic import write_file
from crownlet.datasets.files.locks import hold_folder
from crownlet.datasets.files.names import cut_name
from crownlet.datasets.scans.check import find_leaks
from crownlet.datasets.scans.complaint import Complaint
from crownlet.datasets.scans.datasheet import write_datasheet
from crownlet.datasets.scans.imports import ImportedScan, import_scans, read_json
from crownlet.datasets.scans.manifest import (
    MANIFEST,
    SPLITS,
    Manifest,
    Scan,
    read_manifest,
    sha256,
    write_manifest,
)

Json = dict[str, Any]

SAME_LETTER_IOU = 0.5
"""Share of their union in which two boxes of one letter agree."""


def merge_labels(old: Json, new: Json) -> Json:
    """The new labels, with what the old ones know beyond them.

    A review lists all letters of a page, leaves most of them open, and gives for the others only
    the faults that were asked about (`known`). Labels without `known` replace the old ones.
    """
    letters = {c["id"]: c["name"] for c in old["categories"]}
    ids = {c["name"]: c["id"] for c in new["categories"]}
    left = [a for a in old["annotations"] if _letter_known(a) and letters[a["category_id"]] in ids]
    rows = []
    for annotation in new["annotations"]:
        best = max(left, key=lambda a: box_iou(a["bbox"], annotation["bbox"]), default=None)
        if best is None or box_iou(best["bbox"], annotation["bbox"]) < SAME_LETTER_IOU:
            rows.append(annotation)
            continue
        kept = best | {"category_id": ids[letters[best["category_id"]]]}
        kept |= {"id": annotation["id"], "image_id": annotation["image_id"]}
        if not _letter_known(annotation):
            rows.append(kept)
        elif kept["category_id"] == annotation["category_id"] and "known" in annotation_attributes(
            annotation
        ):
            rows.append(_merge_letter(kept, annotation))
        else:
            rows.append(annotation)
    return new | {"annotations": rows}


def _merge_letter(old: Json, new: Json) -> Json:
    """One letter, of which both know something; where they differ the new one counts."""
    was, now = (present_defects(annotation_attributes(each)) for each in (old, new))
    asked = now["known"]
    defects = {k: v for k, v in (was.get("defects") or {}).items() if k not in asked}
    own = now | was | {"defects": defects | (now.get("defects") or {}), "letter_known": True}
    if was.get("known") is not None:
        own["known"] = list(dict.fromkeys([*was["known"], *asked]))
    elif "defects" in was:
        own.pop("known")  # the old labels cover all faults
    own["decisions"] = [*was.get("decisions", ()), *now.get("decisions", ())]
    return old | {"attributes": own}


def _letter_known(annotation: Json) -> bool:
    return bool(annotation_attributes(annotation).get("letter_known", True))


def box_iou(a: list[float], b: list[float]) -> float:
    """Intersection over union of two COCO boxes (x, y, width, height)."""
    wide = min(a[0] + a[2], b[0] + b[2]) - max(a[0], b[0])
    high = min(a[1] + a[3], b[1] + b[3]) - max(a[1], b[1])
    if wide <= 0 or high <= 0:
        return 0.0
    return wide * high / (a[2] * a[3] + b[2] * b[3] - wide * high)


@dataclass(frozen=True)
class ScanSource:
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


def add_scans(
    folder: Path, source: ScanSource, renew: bool = False
) -> tuple[Manifest, list[Complaint]]:
    """Add scans to the data set in `folder`, which is made if it is not there.

    `renew` lets a scan that is already there get new labels. Returns the manifest and, where
    anything is wrong, one complaint for each record; then nothing was changed. LabelError for
    files that cannot be read at all, FolderBusyError while another process writes to the folder.
    """
    if source.split not in SPLITS:
        raise LabelError(f"{source.split!r} is no split; there are {', '.join(SPLITS)}")
    if not source.provenance.strip():
        raise LabelError("say where the scans come from")
    came, wrong = import_scans(source.scans, source.labels)
    with hold_folder(folder, "crownlet-scans add"):
        # Read here, since another process may have added scans while these were imported.
        old = read_manifest(folder) if (folder / MANIFEST).is_file() else Manifest()
        fresh = [(arrival, _scan_entry(arrival, source, old)) for arrival in came]
        wrong += _find_conflicts(old, fresh, renew)
        if wrong or not fresh:
            return old, wrong or [Complaint(str(folder), "", "there is nothing to add")]
        return _write_version(folder, old, fresh), []


def _scan_entry(arrival: ImportedScan, source: ScanSource, old: Manifest) -> Scan:
    """The entry of a scan; of one that is there already, the old one."""
    picture = arrival.picture
    for scan in old.scans:
        if scan.sha256 == picture.sha256:
            return scan
    name = f"{cut_name(picture.path.stem)}-{picture.sha256[:8]}{picture.path.suffix.lower()}"
    return Scan(
        f"scans/{name}", picture.sha256, picture.likeness,
        source.scroll or arrival.scroll or "", source.split, source.provenance.strip(),
        source.licence, source.consent,
    )  # fmt: skip


def _find_conflicts(
    old: Manifest, fresh: Sequence[tuple[ImportedScan, Scan]], renew: bool
) -> list[Complaint]:
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
    return found + list(find_leaks((*old.scans, *new)))


def _write_version(
    folder: Path, old: Manifest, fresh: Sequence[tuple[ImportedScan, Scan]]
) -> Manifest:
    """Pictures and labels first, the manifest last: a killed run leaves the old version."""
    scans = {scan.file: scan for scan in old.scans}
    added = sum(scan.file not in scans for _, scan in fresh)
    for arrival, scan in fresh:
        if scan.file not in scans:
            write_file(folder / scan.file, arrival.picture.path.read_bytes())
        scans[scan.file] = _write_files(folder, arrival, scan)
    split, renewed = fresh[0][1].split, len(fresh) - added
    changes = [f"{added} added to {split}"] if added else []
    changes += [f"{renewed} labelled anew"] if renewed else []
    new = old.changed(tuple(scans.values()), f"Scans: {', '.join(changes)}.")
    return keep(folder, old, new)


def keep(folder: Path, old: Manifest, new: Manifest) -> Manifest:
    """Write a new version with its datasheet, and delete labels that only the old version names.

    Files that no manifest named belong to somebody else, wherever they stand, and stay.
    """
    write_manifest(folder, new)
    write_datasheet(folder, new)
    for name in sorted(_label_files(old) - _label_files(new)):
        (folder / name).unlink(missing_ok=True)
    return new


def _label_files(manifest: Manifest) -> set[str]:
    """Files of labels and of texts: only those are ever replaced."""
    names = {name for scan in manifest.scans for name in (scan.labels, scan.text) if name}
    return {name for name in names if name.startswith(("labels/", "texts/"))}


def _write_files(folder: Path, arrival: ImportedScan, scan: Scan) -> Scan:
    if arrival.text is not None:
        data = arrival.text.encode("utf-8")
        name = label_name("texts", scan, data, ".txt")
        write_file(folder / name, data)
        scan = replace(scan, text=name, text_sha256=sha256(data))
    if arrival.labels is None:
        return scan
    labels = arrival.labels
    labels["images"][0]["file_name"] = Path(scan.file).name
    if scan.labels is not None:
        labels = merge_labels(read_json(folder / scan.labels), labels)
    return labelled(folder, scan, labels, arrival.how)


def labelled(folder: Path, scan: Scan, labels: dict[str, object], how: str) -> Scan:
    """Write the labels of a scan; the scan with them."""
    data = (json.dumps(labels, ensure_ascii=False, indent=1) + "\n").encode("utf-8")
    name = label_name("labels", scan, data, ".json")
    write_file(folder / name, data)
    return replace(scan, labels=name, labels_sha256=sha256(data), labelled=how)


def label_name(kind: str, scan: Scan, data: bytes, suffix: str) -> str:
    """A name that differs with the content, so that the old version lives until the new one."""
    return f"{kind}/{Path(scan.file).stem}.{sha256(data)[:8]}{suffix}"

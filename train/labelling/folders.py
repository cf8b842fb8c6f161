"""The scans of a data set that label their own letters."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from crownlet.datasets.coco import collect
from crownlet.datasets.coco import record as coco_record
from crownlet.datasets.scans.adding import keep, labelled
from crownlet.datasets.scans.complaints import Complaint
from crownlet.datasets.scans.manifest import Scan, read_manifest
from crownlet.datasets.texts import read_portion
from crownlet.infer.errors import FileFault
from crownlet.infer.inspector import Inspector
from crownlet.train.labelling.self_labels import SelfLabelled, label_page

HOW = "letters by the text, defects by nobody"
TAUGHT = ("train", "validation")
"""Labels that follow from the networks teach, but measure nothing."""


@dataclass(frozen=True)
class Told:
    """What came of it."""

    version: int
    sentence: str
    left_out: list[Complaint] = field(default_factory=list)
    """Scans that labelled nothing, and why."""


def label_folder(
    folder: Path, portion: str | None = None, model: Path | None = None, anew: bool = False
) -> Told:
    """Label the scans of `train` and `validation` that nobody labelled.

    `portion` is the text of those that came without one; `anew` has those labelled again that
    labelled themselves before. ValueError for an unknown text, LabelError for no data set,
    ModelError for networks that cannot be used.
    """
    manifest = read_manifest(folder)
    if portion is not None:
        read_portion(portion)
    wanted = [
        s for s in manifest.scans if s.split in TAUGHT and (not s.labels or (anew and _self(s)))
    ]
    inspector = Inspector(model, measured=False) if wanted else None
    scans = {scan.file: scan for scan in manifest.scans}
    letters = seen = done = 0
    left_out: list[Complaint] = []
    for scan in wanted:
        text = folder / scan.text if scan.text else portion
        if text is None:
            left_out.append(Complaint(scan.file, "", "its text is not known: name a portion"))
            continue
        try:
            assert inspector is not None
            found = label_page(inspector, folder / scan.file, read_portion(text))
        except FileFault as error:
            left_out.append(Complaint(scan.file, "", error.reason.rstrip(".")))
            continue
        scans[scan.file] = labelled(folder, scan, coco(found, scan), HOW)
        letters, seen = letters + found.labelled, seen + len(found.sure)
        done += 1
    if not done:
        return Told(manifest.version, "No scan labelled itself.", left_out)
    what = f"Scans: {done} labelled themselves, {letters} of {seen} letters."
    new = keep(folder, manifest, manifest.changed(tuple(scans.values()), what))
    return Told(new.version, what, left_out)


def _self(scan: Scan) -> bool:
    return scan.labelled == HOW


def coco(found: SelfLabelled, scan: Scan) -> dict[str, Any]:
    """COCO labels of a page that labelled itself; unknown letters say so."""
    image, rows = coco_record(found.truth, Path(scan.file).name)
    for row, sure in zip(rows, found.sure.tolist(), strict=True):
        row["attributes"]["letter_known"] = sure
    return collect([(image, rows)])

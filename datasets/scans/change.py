"""Take scans out of a data set, or put them into another split; the manifest keeps why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from crownlet.datasets.coco.read import LabelError
from crownlet.datasets.files.locks import hold_folder
from crownlet.datasets.scans.add import keep
from crownlet.datasets.scans.check import find_leaks
from crownlet.datasets.scans.complaint import Complaint
from crownlet.datasets.scans.manifest import SPLITS, Manifest, Scan, read_manifest


def find_scans(manifest: Manifest, names: Sequence[str]) -> tuple[Scan, ...]:
    """The scans that names stand for: those of a scroll, or one file; LabelError for a name that
    stands for none."""
    found: list[Scan] = []
    for name in names:
        named = [s for s in manifest.scans if name in (s.scroll, s.file, Path(s.file).name)]
        if not named:
            raise LabelError(f"no scan and no scroll of the data set is called {name!r}")
        found += [scan for scan in named if scan not in found]
    return tuple(found)


def remove_scans(folder: Path, names: Sequence[str], because: str) -> Manifest:
    """Take scans out, their pictures and labels with them; the new version.

    The manifest goes first: after a kill in between `check` names the pictures that are left over.
    LabelError as `find_scans` has it, or where no reason is given.
    """
    _ask_reason(because)
    read_manifest(folder)  # Before the folder is held: what is no data set stays as it is.
    with hold_folder(folder, "crownlet-scans remove"):
        old = read_manifest(folder)
        gone = find_scans(old, names)
        left = tuple(scan for scan in old.scans if scan not in gone)
        new = keep(folder, old, old.changed(left, f"Scans: {_listed(gone)} removed: {because}."))
        for scan in gone:
            (folder / scan.file).unlink(missing_ok=True)
    return new


def move_scans(
    folder: Path, names: Sequence[str], split: str, because: str
) -> tuple[Manifest, list[Complaint]]:
    """Put scans into another split; the manifest and, where a scroll or a copy would then stand in
    two splits, a complaint for each, with nothing changed. LabelError as above, or for no split."""
    if split not in SPLITS:
        raise LabelError(f"{split!r} is no split; there are {', '.join(SPLITS)}")
    _ask_reason(because)
    read_manifest(folder)
    with hold_folder(folder, "crownlet-scans move"):
        old = read_manifest(folder)
        chosen = [scan for scan in find_scans(old, names) if scan.split != split]
        if not chosen:
            raise LabelError(f"all of them are in {split} already")
        scans = tuple(replace(s, split=split) if s in chosen else s for s in old.scans)
        wrong = list(find_leaks(scans))
        if wrong:
            return old, wrong
        what = f"Scans: {_listed(chosen)} moved to {split}: {because}."
        return keep(folder, old, old.changed(scans, what)), []


def _ask_reason(because: str) -> None:
    if not because.strip():
        raise LabelError("say why; the manifest keeps it")


def _listed(scans: Sequence[Scan]) -> str:
    return ", ".join(f"{Path(scan.file).name} ({scan.split})" for scan in scans)

"""What must not be in two splits: a scan, a copy of it, a scroll."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from crownlet.datasets.scans.complaints import Complaint
from crownlet.datasets.scans.likeness import NEAR, bits_apart
from crownlet.datasets.scans.manifest import Scan


def leaks(scans: Sequence[Scan]) -> Iterator[Complaint]:
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
            elif _alike(scan, other):
                yield Complaint(
                    scan.file, "", f"looks like a copy of {other.file}, which is in {other.split}"
                )


def _alike(one: Scan, other: Scan) -> bool:
    try:
        return bits_apart(one.likeness, other.likeness) <= NEAR
    except ValueError:
        return False

"""What the generator put into a sample sheet, and how much of it was pointed at.

No measure of accuracy: the networks learned from pages by the same generator.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from crownlet.datasets.page.truth import PageTruth
from crownlet.infer.findings import Finding
from crownlet.infer.records import PageRecord

PLAIN = 2 / 3
"""A fault below this plainness is doubtful even to its maker."""


@dataclass(frozen=True)
class Planted:
    """Plain faults put into a sheet, and those of them at which a finding points."""

    faults: int
    pointed_at: int


def planted(truth: PageTruth, record: PageRecord, findings: Iterable[Finding]) -> Planted:
    """Count plain faults of letters, and those marked by name or as a doubt of the letter."""
    anchors = np.array([_anchor(g.body) for g in record.glyphs])
    named: dict[int, set[str]] = {}
    for finding in findings:
        for glyph in finding.glyphs:
            named.setdefault(glyph, set()).update({finding.kind, *finding.others})
    faults = pointed = 0
    for letter in truth.letters:
        plain = {d.name for d in letter.defects if d.plainness >= PLAIN}
        if not plain or not len(anchors):
            continue
        away = np.hypot(*(anchors - _anchor(letter.body)).T)
        nearest = int(away.argmin())
        seen = named.get(nearest + 1, set()) if away[nearest] < letter.body[2] / 2 else set()
        faults += len(plain)
        pointed += len(plain & seen)
    return Planted(faults, pointed)


def _anchor(body: tuple[float, float, float, float]) -> tuple[float, float]:
    angle = np.deg2rad(body[3])
    return body[0] - np.sin(angle) * body[2] / 2, body[1] + np.cos(angle) * body[2] / 2

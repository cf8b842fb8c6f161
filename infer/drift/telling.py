"""What the comparison says in words, and as a file."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

from crownlet.infer.drift.comparing import Drift
from crownlet.infer.files import write_json

NAME = "drift.json"
SAYS = {
    "alike": "They look like what the networks know: their numbers may be taken as measured.",
    "shifted": "No page stands out, yet the networks are less sure here than on what they know: "
    "expect more errors than the measured ones, and read a sample.",
    "unlike": "They do not look like what the networks know: do not rely on the measured error "
    "rates and thresholds here before a sample has been read.",
}
MOST = 12
"""Scrolls listed on the screen; the file has them all."""


def lines(drift: Drift) -> list[str]:
    """Sentences for the screen."""
    told = f"{drift.unlike} of {len(drift.scrolls)} scrolls stand out."
    found = [told, SAYS[drift.likeness]]
    if drift.shifted:
        found.append("Higher over all: " + ", ".join(f.words for f in drift.shifted) + ".")
    outside = sorted((row for row in drift.scrolls if row.features), key=lambda row: row.chance)
    for row in outside[:MOST]:
        found.append(f"  {row.scroll}: {', '.join(feature.words for feature in row.features)}")
    if len(outside) > MOST:
        found.append(f"  and {len(outside) - MOST} more, see {NAME}")
    return found


def write(drift: Drift, run: Path) -> Path:
    """Write RUN/drift.json, in one step."""
    draft = run / f".{NAME}"
    write_json(draft, _plain(drift))
    draft.replace(run / NAME)
    return run / NAME


def _plain(drift: Drift) -> dict[str, Any]:
    return {
        "likeness": drift.likeness,
        "says": lines(drift)[:2],
        "reference": drift.reference,
        "higher_over_all": [feature.name for feature in drift.shifted],
        "scrolls": [
            asdict(row) | {"features": [feature.name for feature in row.features]}
            for row in drift.scrolls
        ],
    }

"""S/survey.json: what a survey was begun with, and how far it has come."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from crownlet.datasets.files.atomic import atomic_write, write_json
from crownlet.infer.run.tables import RunError, read_json
from crownlet.infer.view.wording import RULING_TEXT

NAME = "survey.json"

SCHEMA = 1

SEED = 2007

LETTERS_AUDITED = 10.0
"""Letters of each scroll that are audited for each defect, unless asked otherwise."""


@dataclass(frozen=True)
class Survey:
    """A survey as its folder records it; sources stand in the key alone."""

    manifest: str
    """SHA-256 of the manifest."""
    seed: int
    audit: float
    """Letters of each scroll drawn for each defect; below 1, a share of those that can have it."""
    defects: tuple[str, ...]
    """Defects that are audited."""
    complete: bool = False
    """Whether all pages were gone through and the audit drawn."""
    pages: Mapping[str, str] = field(default_factory=dict)
    """SHA-256 of the picture of each page inspected."""
    failed: Mapping[str, str] = field(default_factory=dict)
    """Pages that could not be inspected, and why."""
    versions: Mapping[str, Any] = field(default_factory=dict)
    """Of the package, the networks and the thresholds."""


def write_survey(folder: Path, survey: Survey) -> None:
    """Write S/survey.json whole or not at all; OSError if it cannot be written."""
    folder.mkdir(parents=True, exist_ok=True)
    with atomic_write(folder / NAME) as draft:
        write_json(draft, {"schema": SCHEMA, "caution": RULING_TEXT, **asdict(survey)})


def read_survey(folder: Path) -> Survey | None:
    """What the folder records; None where no survey was begun. RunError if it cannot be read."""
    path = folder / NAME
    if not path.is_file():
        return None
    data = read_json(path)
    if data.pop("schema", None) != SCHEMA:
        raise RunError(path, "was not written by this version of the program.")
    data.pop("caution", None)
    try:
        return Survey(**{**data, "defects": tuple(data["defects"])})
    except (KeyError, TypeError) as error:
        raise RunError(path, f"is no record of a survey ({error}).") from None

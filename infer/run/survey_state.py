"""S/survey.json: the settings of a survey, and its progress."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Literal

from crownlet.datasets.files.atomic import atomic_write, write_json
from crownlet.infer.run.tables import RECORD_ERRORS, RunError, cause_of, read_json
from crownlet.infer.run.typed import build_record
from crownlet.infer.view.wording import RULING_TEXT

SURVEY_FILE = "survey.json"

SURVEY_SCHEMA = 2
"""Of the whole folder: 2 since audit.csv holds `inclusion_probability`, in place of `chance`."""

DEFAULT_SURVEY_SEED = 2007

DEFAULT_LETTERS_AUDITED = 4.0
"""Letters of each scroll that are audited for each defect, unless asked otherwise: with chances
that rise with the network's doubt they tell as much of rare defects as 10 drawn evenly."""

AuditDraw = Literal["doubt", "even"]
"""How letters are drawn: with chances that rise with the network's probability, or equal ones."""


@dataclass(frozen=True)
class DesignChange:
    """A setting of a survey that differs from its design."""

    on: str
    """Date on which the survey was run with it."""
    setting: str
    declared: str
    used: str


@dataclass(frozen=True)
class Survey:
    """A survey as its folder records it; the names of sources are in the key alone."""

    manifest: str
    """SHA-256 of the manifest."""
    seed: int
    audit: float
    """Letters of each scroll drawn for each defect; below 1, a share of those that can have it."""
    defects: tuple[str, ...]
    """Defects that are audited."""
    complete: bool = False
    """Whether all pages were inspected and the audit drawn."""
    pages: Mapping[str, str] = field(default_factory=dict)
    """SHA-256 of the picture of each page inspected."""
    failed: Mapping[str, str] = field(default_factory=dict)
    """Reasons of pages that could not be inspected, by page."""
    draw: AuditDraw = "even"
    """Whether the chances of letters rise with the network's probability; in records of earlier
    versions, which lack it, they do not."""
    design: str = ""
    """SHA-256 of the design, as `S/design.json` states it; empty without one."""
    history: tuple[DesignChange, ...] = ()
    """Every change to what the design declares, the first first."""
    versions: Mapping[str, Any] = field(default_factory=dict)
    """Of the package, the networks and the thresholds."""


def write_survey(folder: Path, survey: Survey) -> None:
    """Write S/survey.json atomically; OSError if it cannot be written."""
    folder.mkdir(parents=True, exist_ok=True)
    with atomic_write(folder / SURVEY_FILE) as draft:
        write_json(draft, {"schema": SURVEY_SCHEMA, "caution": RULING_TEXT, **asdict(survey)})


def read_survey(folder: Path) -> Survey | None:
    """The survey of a folder; None where there is none. RunError if it cannot be read."""
    path = folder / SURVEY_FILE
    if not path.is_file():
        return None
    data = read_json(path)
    schema = data.pop("schema", None)
    if schema == 1:
        raise RunError(
            path,
            "was written by an earlier version of the program, whose tables have other columns; "
            "make the survey again in a new folder.",
        )
    if schema != SURVEY_SCHEMA:
        raise RunError(path, "was not written by this version of the program.")
    data.pop("caution", None)
    try:
        history = tuple(build_record(DesignChange, row) for row in data.pop("history", ()))
        return build_record(Survey, {**data, "history": history})
    except RECORD_ERRORS as error:
        raise RunError(path, f"is no record of a survey ({cause_of(error)}).") from None

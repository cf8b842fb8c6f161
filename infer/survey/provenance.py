"""What a report was made from, by date and checksum, and how to cite it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from crownlet.datasets.files.atomic import file_checksum
from crownlet.infer.run.survey_state import read_survey
from crownlet.infer.survey.data import SurveyData

TABLES_TO_CITE = ("rates.csv", "contrasts.csv")
"""Tables whose checksums stand on the page: with them a reader knows that they have its numbers."""


@dataclass(frozen=True)
class Provenance:
    """The last section of the report."""

    made_on: str
    """Date, as 2026-11-30."""
    checksums: tuple[tuple[str, str], ...]
    """What, and its SHA-256."""
    versions: tuple[tuple[str, str], ...]
    citation: str


def describe_provenance(folder: Path, survey: SurveyData, out: Path, on: str) -> Provenance:
    """Of a survey in `folder` whose tables lie in `out`, made on a date.

    FileFault or OSError where a file cannot be read.
    """
    record = read_survey(folder)
    held: list[tuple[str, str]] = []
    if record is not None:
        held.append(("manifest", record.manifest))
        if record.design:
            held.append(("design", record.design))
    held += [(name, file_checksum(out / name)) for name in TABLES_TO_CITE]
    versions = tuple((what, ", ".join(which)) for what, which in survey.versions.items() if which)
    package = ", ".join(survey.versions.get("package", ()))
    scrolls, sources = len(survey.scrolls), len(survey.arrays.sources)
    citation = (
        f"Sources compared: a survey of {scrolls} scrolls of {sources} sources. Report of Crownlet "
        f"{package}, {on}. rates.csv SHA-256 {held[-2][1][:16]}."
    )
    return Provenance(on, tuple(held), versions, citation)

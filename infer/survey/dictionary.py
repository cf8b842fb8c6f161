"""What each column of a report's tables holds: S/report/dictionary.csv."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any

from crownlet.datasets.files.atomic import atomic_write, write_csv
from crownlet.infer.survey.bounds import BoundedContrast, UnansweredQuestions
from crownlet.infer.survey.by_source import SourceSideContrast
from crownlet.infer.survey.habits import HabitContrast, HabitShare
from crownlet.infer.survey.labels import ReaderAgreement
from crownlet.infer.survey.over_time import RateTrend, YearRate
from crownlet.infer.survey.records import (
    DefectRate,
    OmnibusTest,
    ScrollShare,
    ShrunkenRate,
    SideContrast,
    SourceContrast,
)

DICTIONARY_FILE = "dictionary.csv"

TABLE_RECORDS: Mapping[str, type[Any]] = {
    "rates.csv": DefectRate,
    "letters.csv": DefectRate,
    "shares.csv": ScrollShare,
    "contrasts.csv": SourceContrast,
    "omnibus.csv": OmnibusTest,
    "shrunken.csv": ShrunkenRate,
    "habits.csv": HabitShare,
    "habit_contrasts.csv": HabitContrast,
    "pairs.csv": SideContrast,
    "pairs_by_source.csv": SourceSideContrast,
    "unanswered.csv": UnansweredQuestions,
    "unanswered_contrasts.csv": BoundedContrast,
    "readers.csv": ReaderAgreement,
    "years.csv": YearRate,
    "trends.csv": RateTrend,
}
"""The record of which each row of a table is one; its fields are the columns, in their order."""

MEANINGS: Mapping[str, str] = {
    "agreement": "n_same over n_both.",
    "basis": (
        "read: readers judged every letter; audited: the network's answers, corrected by letters "
        "drawn at random and read; unaudited: the network's answers alone. Of two, the weaker."
    ),
    "between_sd": "Standard deviation of the sources' true rates, by the method of moments.",
    "ci_high": "Upper 95% limit; empty where none is given.",
    "ci_high_highest": "Upper 95% limit in the case of difference_highest.",
    "ci_high_if_present": "Upper 95% limit in the case of estimate_if_present.",
    "ci_low": "Lower 95% limit; empty where none is given.",
    "ci_low_if_absent": "Lower 95% limit in the case of estimate_if_absent.",
    "ci_low_lowest": "Lower 95% limit in the case of difference_lowest.",
    "defect": "Name of the defect, as in the catalogue; any: all kinds together.",
    "design_effect": "Variance over that of as many letters drawn one by one.",
    "difference": "The first source's estimate less the second's; of sides, face less reverse.",
    "difference_highest": (
        "The difference if all letters of the first source without an answer had the defect, and "
        "none of the second's."
    ),
    "difference_lowest": (
        "The difference if no letter of the first source without an answer had the defect, and all "
        "of the second's."
    ),
    "estimate": (
        "Share of letters, from 0 to 1: the mean over clusters of their shares. In habits.csv and "
        "shares.csv the share of clusters and of scrolls."
    ),
    "estimate_if_absent": "The estimate if no letter without an answer had the defect.",
    "estimate_if_present": "The estimate if every letter without an answer had the defect.",
    "exploratory": "Whether no design, upheld as it was declared, declares the comparison.",
    "first": "Code of the first source; in readers.csv number of the first reader.",
    "first_year": "Year of the earliest scrolls.",
    "icc": "Correlation of two letters of one cluster.",
    "kappa": "Cohen's kappa; empty where it is not defined.",
    "labels_used": "Whether readers answered enough for their answers to count.",
    "last_year": "Year of the latest scrolls.",
    "letter": "The one letter counted; empty for all that can have the defect.",
    "letters": "Letters concerned by the habit; empty for all.",
    "n_audited": "Letters that readers judged, where their answers count.",
    "n_both": "Questions that both readers answered with present or not present.",
    "n_cannot_tell": "Letters drawn whose answer is cannot tell or the like.",
    "n_clusters": (
        "Independent units: scribes where they are known, else scrolls. Of an audited rate without "
        "those of which letters were drawn and none was answered."
    ),
    "n_drawn": "Letters drawn for the audit.",
    "n_first": "Clusters of the first source.",
    "n_labelled": "Letters drawn that have an answer of present or not present.",
    "n_letters": "Letters that can have the defect.",
    "n_same": "Of n_both, those that both answered alike.",
    "n_scrolls": "Scrolls; in rates.csv and letters.csv those with letters that can have it.",
    "n_second": "Clusters of the second source.",
    "n_sources": "Sources tested together.",
    "n_unanswered": "Letters drawn that nobody answered yet.",
    "n_with_finding": "Scrolls with a finding, by the tool's word alone.",
    "n_with_habit": "Clusters whose hand has the habit.",
    "n_without_first": "Letters drawn without a label, of the first source.",
    "n_without_second": "Letters drawn without a label, of the second source.",
    "note": "Why there is no interval or test, or a word of caution; empty without any.",
    "p_value": "Two-sided p of the test, a mid-p where it permutes; empty where there is no test.",
    "p_value_exact": "Strict p: the share of arrangements at least as far out.",
    "p_value_holm": "p corrected for the tests of its table (Holm 1979), declared ones apart.",
    "second": "Code of the second source, or others; in readers.csv number of the second reader.",
    "shrunken": "The estimate drawn towards the mean of all sources (empirical Bayes).",
    "slope": "Change of the share in a year, by least squares over the clusters.",
    "source": "Code of the source; the key is sources.csv of the survey.",
    "stands": "Whether no answers to these questions could undo the difference.",
    "std_error": "Standard error of the estimate, from the spread between clusters.",
    "tags_expected": "Crowns that its letters ask for; empty where the habit is not of crowns.",
    "weight": "Share of the source's own estimate in shrunken.",
    "year": "Year of the scrolls, by the manifest's column date.",
}
"""By column, whatever the table."""

_TYPES = {"str": "text", "Basis": "text", "int": "whole number", "float": "number"}


def write_dictionary(folder: Path) -> None:
    """Write the dictionary whole or not at all; OSError if it cannot be written."""
    rows = (
        (table, field.name, _name_type(str(field.type)), MEANINGS[field.name])
        for table, kind in TABLE_RECORDS.items()
        for field in fields(kind)
    )
    with atomic_write(folder / DICTIONARY_FILE) as draft:
        write_csv(draft, ("table", "name", "type", "meaning"), rows)


def _name_type(annotation: str) -> str:
    """The type of a column as export's dictionary names it."""
    return _TYPES.get(annotation.removesuffix(" | None"), "True or False")

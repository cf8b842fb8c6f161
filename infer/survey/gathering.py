"""A finished survey gathered from its folder: pages, audit and decisions as the arrays to compare.

What the networks say of a letter is their calibrated probability; a letter that cannot have a
defect, or was not examined for it, is not counted for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from crownlet.infer.survey.estimators import Ints
from crownlet.infer.survey.tables import Tables


@dataclass(frozen=True)
class SurveyedScroll:
    """One scroll of a survey, by its coded name."""

    name: str
    code: str
    """Code of its source: A, B, C."""
    faces: int
    """Pages of each side."""
    reverses: int
    letters: int
    findings: int
    """Letters with a finding."""


@dataclass(frozen=True)
class AuditCounts:
    """How far the audit has come; counts of (letter, defect) pairs."""

    drawn: int
    decided: int
    """Answered with present or not present, before the reader was told anything."""
    cannot_tell: int
    """Answered otherwise: cannot tell, for an authority, or another letter than read."""


@dataclass(frozen=True)
class Gathered:
    """A survey as `compare` takes it, with what a report says beside the numbers."""

    tables: Tables
    """Sources are codes; `letters` are in the order of `page` and `glyph`."""
    page: NDArray[np.str_]
    """Page of each letter, by its coded name, (letters,): a key of `open_run(folder).pages`."""
    glyph: Ints
    """Number of each letter on its page, from 1, (letters,)."""
    codes: Mapping[str, str]
    """Source to code; empty where the key, S/sources.csv, was taken away."""
    scrolls: tuple[SurveyedScroll, ...]
    audit: AuditCounts
    versions: Mapping[str, tuple[str, ...]]
    """`package`, `model`, `thresholds`, `customs`: every one that the pages were made with."""
    notes: tuple[str, ...]
    """Plain sentences: pages that failed, mixed versions, readers who differ."""


def gather(folder: Path) -> Gathered:
    """Read the survey in a folder; FileFault says what is absent or cannot be read."""
    raise NotImplementedError

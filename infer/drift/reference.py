"""What the networks know, kept beside them: features of rendered pages by hands of their own.

Half of the pages give what is usual (`middle`, `below`, `above`), the other half how far pages of
the same kind deviate from it, so that a page's rank among them is exact (split conformal
prediction: Vovk, Gammerman & Shafer 2005; for outliers Bates et al. 2023).
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from crownlet.datasets.files.atomic import write_file
from crownlet.datasets.files.documents import parse_json, read_small_file
from crownlet.datasets.files.errors import FileFault
from crownlet.datasets.scribal.catalogue import LEARNED_DEFECTS
from crownlet.infer.drift.errors import ErrorCurve, read_error_curve
from crownlet.infer.records import Floats, PageRecord

REFERENCE_FILE = "reference.json"

REFERENCE_SCHEMA = 1

MIN_PAGES = 20
"""Pages that each half of a reference needs."""

MIN_SPREAD = 1e-3
"""Least spread of a feature: several are shares that are 0 on most pages."""

DOUBT_PROBABILITY = 0.95
"""A letter is read with doubt below this probability."""

UNDECIDED_RANGE = (0.1, 0.9)
"""Between these a fault is neither there nor not there."""

Direction = Literal["high", "low", "both"]


@dataclass(frozen=True)
class Feature:
    """One number of a page."""

    name: str
    direction: Direction
    """In which direction it may be strange."""
    words: str
    is_score: bool = False
    """Whether it comes from the networks; otherwise from the picture."""


FEATURES = (
    Feature("doubt", "high", "letters read with doubt", is_score=True),
    Feature("disagreement", "high", "disagreement of the two networks", is_score=True),
    Feature("unfamiliar", "high", "letters unlike those known", is_score=True),
    Feature("undecided", "high", "letters with a fault neither there nor not there", is_score=True),
    Feature("resolution", "low", "pixels across the pen"),
    Feature("edge", "both", "width of the edges"),
    Feature("contrast", "both", "contrast of ink and skin"),
    Feature("noise", "both", "noise of the picture"),
    Feature("glare", "high", "letters burnt out"),
    Feature("dark", "high", "letters too dark"),
)


class DriftReferenceError(FileFault):
    """A reference that is absent, or cannot be used."""


@dataclass(frozen=True)
class DriftReference:
    """F features; `below` and `above` are spreads to either side, as standard deviations."""

    middle: Floats
    below: Floats
    above: Floats
    pages: Floats
    """(N, F) the half of the pages that a new one is placed among."""
    model: dict[str, str]
    """Checksums of the networks that it belongs to."""
    provenance: str
    errors: ErrorCurve | None = None
    """Letters misread by doubt; None in references older than that."""

    def strangeness(self, sketches: Floats) -> Floats:
        """(M, F) deviation of each of (M, F) in spreads, counted only where it is strange."""
        off = sketches - self.middle
        high, low = off / self.above, -off / self.below
        directions = [feature.direction for feature in FEATURES]
        asked_high = np.array([direction != "low" for direction in directions])
        asked_low = np.array([direction != "high" for direction in directions])
        return np.maximum(np.where(asked_high, high, -np.inf), np.where(asked_low, low, -np.inf))

    def chances(self, sketches: Floats) -> Floats:
        """(M,) share of known pages at least as strange as each of (M, F), never 0.

        Of a page of the same kind as these it falls below a with probability a at most.
        """
        known = np.sort(self.strangeness(self.pages).max(axis=1))
        found = self.strangeness(sketches).max(axis=1)
        beyond = len(known) - np.searchsorted(known, found, side="left")
        return np.asarray((1 + beyond) / (len(known) + 1), np.float64)


def page_features(page: PageRecord) -> Floats:
    """(F,) the features of a page, in the order of `FEATURES`; ValueError without any letter."""
    if not page.glyphs:
        raise ValueError(f"{page.name}: there is no letter on it to compare")
    letter_p = np.array([glyph.letter_p for glyph in page.glyphs])
    middle = [
        any(
            UNDECIDED_RANGE[0] < (glyph.p.get(name) or 0.0) < UNDECIDED_RANGE[1]
            for name in LEARNED_DEFECTS
        )
        for glyph in page.glyphs
    ]
    quality = page.quality
    return np.array(
        [
            float(np.mean(letter_p < DOUBT_PROBABILITY)),
            1.0 - quality["agreement"],
            quality["unfamiliar_share"],
            float(np.mean(middle)),
            np.log(max(quality["true_q_px"], 0.1)),
            np.log(max(quality["edge_q"], 0.01)),
            quality["contrast"],
            np.log(max(quality["noise_levels"], 0.05)),
            quality["glare_share"],
            quality["dark_share"],
        ]
    )


def scroll_features(pages: Iterable[PageRecord]) -> Floats:
    """(F,) medians over the pages of one scroll, which is the unit: one hand, one camera."""
    return np.asarray(np.median([page_features(page) for page in pages], axis=0), np.float64)


def fit_reference(
    sketches: Floats, model: dict[str, str], provenance: str, errors: ErrorCurve | None = None
) -> DriftReference:
    """A reference from (N, F) sketches of known pages in random order; ValueError with too few."""
    if len(sketches) < 2 * MIN_PAGES:
        raise ValueError(f"{len(sketches)} pages are too few for a reference; take {2 * MIN_PAGES}")
    half = sketches[: len(sketches) // 2]
    low, middle, high = np.quantile(half, (0.025, 0.5, 0.975), axis=0)
    return DriftReference(
        middle,
        np.maximum((middle - low) / 1.96, MIN_SPREAD),
        np.maximum((high - middle) / 1.96, MIN_SPREAD),
        sketches[len(sketches) // 2 :],
        model,
        provenance,
        errors,
    )


def write_drift_reference(reference: DriftReference, folder: Path) -> Path:
    """Write `reference.json` into a model folder."""
    rows = zip(FEATURES, reference.middle, reference.below, reference.above, strict=True)
    data = {
        "schema": REFERENCE_SCHEMA,
        "provenance": reference.provenance,
        "model": reference.model,
        "features": {
            f.name: [_round_to_5_digits(m), _round_to_5_digits(b), _round_to_5_digits(a)]
            for f, m, b, a in rows
        },
        "pages": [[_round_to_5_digits(value) for value in row] for row in reference.pages],
        **({} if reference.errors is None else {"errors": reference.errors.as_values()}),
    }
    path = folder / REFERENCE_FILE
    write_file(path, json.dumps(data, ensure_ascii=False) + "\n")
    return path


MAX_REFERENCE_BYTES = 100_000_000


def read_drift_reference(folder: Path) -> DriftReference:
    """The reference of a model folder; DriftReferenceError if it is absent or cannot be used."""
    path = folder / REFERENCE_FILE
    try:
        return _parse_reference(parse_json(read_small_file(path, MAX_REFERENCE_BYTES)))
    except FileNotFoundError:
        raise DriftReferenceError(
            path, "there is no reference of what these networks know; the job `reference` makes it."
        ) from None
    except (OSError, ValueError, KeyError, TypeError) as error:
        cause = " ".join(str(error).split())[:160]
        raise DriftReferenceError(path, f"cannot be used ({cause}).") from None


def _round_to_5_digits(value: float) -> float:
    return float(f"{value:.5g}")


def _parse_reference(data: dict[str, Any]) -> DriftReference:
    names = [feature.name for feature in FEATURES]
    if data["schema"] != REFERENCE_SCHEMA or list(data["features"]) != names:
        raise ValueError("it was written by another version")
    middle, below, above = np.array([data["features"][n] for n in names], np.float64).T
    pages = np.array(data["pages"], np.float64)
    if pages.ndim != 2 or pages.shape[1] != len(names) or len(pages) < MIN_PAGES:
        raise ValueError("its pages are not a table")
    return DriftReference(
        middle, below, above, pages, dict(data["model"]), str(data["provenance"]),
        read_error_curve(data.get("errors")),
    )  # fmt: skip

"""New scrolls beside the reference: each by itself, and all of them together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from math import comb
from pathlib import Path
from typing import Any, Literal

import numpy as np

from crownlet.datasets.files.atomic import atomic_write, write_json
from crownlet.infer.drift.reference import FEATURES, DriftReference, Feature
from crownlet.infer.records import Floats

DRIFT_FILE = "drift.json"

ALPHA = 0.05
"""How often pages of the known kind may pass for strange: single scrolls, and a whole run."""

MIN_SCROLLS_FOR_SHIFT = 5
"""With at least this many scrolls the scores of a run are compared as distributions."""

MAX_LISTED_SCROLLS = 12
"""Scrolls listed on the screen; the file has them all."""

LIKENESS_TEXT = {
    "alike": "They look like what the networks know: their numbers may be taken as measured.",
    "shifted": "No page stands out, yet the networks are less sure here than on what they know: "
    "expect more errors than the measured ones, and read a sample.",
    "unlike": "They do not look like what the networks know: do not rely on the measured error "
    "rates and thresholds here before a sample has been read.",
}

Likeness = Literal["alike", "shifted", "unlike"]


@dataclass(frozen=True)
class ScrollDrift:
    """One scroll: share of known pages at least as strange, and by what it is strange."""

    scroll: str
    chance: float
    features: tuple[Feature, ...]
    """Those that lie further out than in all but one of twenty known pages, the strangest first;
    empty for a scroll that is like them."""


@dataclass(frozen=True)
class RunDrift:
    """What a run looks like to the networks."""

    likeness: Likeness
    scrolls: tuple[ScrollDrift, ...]
    unlike: int
    """Number of scrolls that stand out."""
    shifted: tuple[Feature, ...]
    """Scores that lie higher over the run than over known pages, though no page need stand out."""
    reference: str


def compare_run(reference: DriftReference, scrolls: Mapping[str, Floats]) -> RunDrift:
    """Compare sketches (F,) of scrolls, by name, with what is known. ValueError without any.

    A run is unlike when more of its scrolls stand out than chance would have at `ALPHA` (binomial);
    shifted when a score lies higher over its scrolls (Smirnov's one-sided test of two samples,
    Holm's correction), which is asked from `PLACED` scrolls on.
    """
    if not scrolls:
        raise ValueError("there is no scroll to compare")
    sketches = np.stack(list(scrolls.values()))
    chances = reference.chances(sketches)
    strange = reference.strangeness(sketches)
    usual = np.quantile(reference.strangeness(reference.pages).max(axis=1), 1 - ALPHA)
    rows = tuple(
        ScrollDrift(name, float(chance), _strange_features(row, usual) if chance <= ALPHA else ())
        for name, chance, row in zip(scrolls, chances, strange, strict=True)
    )
    unlike = sum(bool(row.chance <= ALPHA) for row in rows)
    shifted = (
        _shifted_scores(reference.pages, sketches) if len(rows) >= MIN_SCROLLS_FOR_SHIFT else ()
    )
    likeness: Likeness = "alike" if not shifted else "shifted"
    if unlike and binomial_tail(unlike, len(rows)) <= ALPHA:
        likeness = "unlike"
    return RunDrift(likeness, rows, unlike, shifted, reference.provenance)


def write_drift(drift: RunDrift, run: Path) -> Path:
    """Write RUN/drift.json, in one step."""
    with atomic_write(run / DRIFT_FILE) as draft:
        write_json(draft, _drift_values(drift))
    return run / DRIFT_FILE


def drift_lines(drift: RunDrift) -> list[str]:
    """Sentences for the screen."""
    count = f"{drift.unlike} of {len(drift.scrolls)} scrolls stand out."
    found = [count, LIKENESS_TEXT[drift.likeness]]
    if drift.shifted:
        found.append("Higher over all: " + ", ".join(f.words for f in drift.shifted) + ".")
    outside = sorted((row for row in drift.scrolls if row.features), key=lambda row: row.chance)
    for row in outside[:MAX_LISTED_SCROLLS]:
        found.append(f"  {row.scroll}: {', '.join(feature.words for feature in row.features)}")
    if len(outside) > MAX_LISTED_SCROLLS:
        found.append(f"  and {len(outside) - MAX_LISTED_SCROLLS} more, see {DRIFT_FILE}")
    return found


def binomial_tail(count: int, of: int, chance: float = ALPHA) -> float:
    """Probability of `count` or more out of `of` at this chance each (binomial)."""
    rest = range(count, of + 1)
    return sum(comb(of, k) * chance**k * (1 - chance) ** (of - k) for k in rest)


def smirnov_p(known: Floats, new: Floats) -> float:
    """Probability, at most, of `new` lying so much higher than `known` by chance (Smirnov 1939)."""
    values = np.concatenate([known, new])
    below = [np.searchsorted(np.sort(x), values, side="right") / len(x) for x in (known, new)]
    gap = max(0.0, float((below[0] - below[1]).max()))
    size = len(known) * len(new) / (len(known) + len(new))
    return float(np.exp(-2 * size * gap**2))


def _strange_features(strange: Floats, usual: float) -> tuple[Feature, ...]:
    order = np.argsort(-strange, kind="stable")
    return tuple(FEATURES[k] for k in order if strange[k] >= usual)


def _shifted_scores(known: Floats, new: Floats) -> tuple[Feature, ...]:
    scores = [k for k, feature in enumerate(FEATURES) if feature.is_score]
    p = np.array([smirnov_p(known[:, k], new[:, k]) for k in scores])
    found = []
    for step, place in enumerate(np.argsort(p, kind="stable")):
        if p[place] > ALPHA / (len(scores) - step):
            break
        found.append(FEATURES[scores[place]])
    return tuple(found)


def _drift_values(drift: RunDrift) -> dict[str, Any]:
    return {
        "likeness": drift.likeness,
        "says": drift_lines(drift)[:2],
        "reference": drift.reference,
        "higher_over_all": [feature.name for feature in drift.shifted],
        "scrolls": [
            asdict(row) | {"features": [feature.name for feature in row.features]}
            for row in drift.scrolls
        ],
    }

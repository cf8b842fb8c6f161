"""New scrolls beside the reference: each by itself, and all of them together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from math import comb
from pathlib import Path
from typing import Any, Literal

import numpy as np

from crownlet.datasets.files.atomic import atomic_write, write_json
from crownlet.infer.drift.errors import (
    ExpectedErrorRate,
    ScrollReading,
    error_words,
    expect_together,
    percent,
)
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
    hand_known: bool | None = None
    """Whether the hand is like those that the promise covers; None where the run does not say."""
    expected: ExpectedErrorRate | None = None
    """Letters to expect misread; None where the reference does not say."""

    @property
    def stands_out(self) -> bool:
        """Whether its pages or its hand are strange."""
        return bool(self.features) or self.hand_known is False


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
    unknown_hands: int = 0
    """Number of scrolls by hands unlike those known."""
    expected: ExpectedErrorRate | None = None
    """Letters of the whole run to expect misread."""
    usual_share: float | None = None
    """Share misread of well taken pages by known hands."""


def compare_run(
    reference: DriftReference,
    scrolls: Mapping[str, Floats],
    readings: Mapping[str, ScrollReading] | None = None,
) -> RunDrift:
    """Compare sketches (F,) of scrolls, by name, with what is known. ValueError without any.

    A run is unlike when more of its scrolls stand out, or are by unknown hands, than chance would
    have at `ALPHA` (binomial); shifted when a score lies higher over its scrolls (Smirnov's
    one-sided test of two samples, Holm's correction), which is asked from `MIN_SCROLLS_FOR_SHIFT`
    scrolls on. `readings` of the same scrolls give the errors to expect.
    """
    if not scrolls:
        raise ValueError("there is no scroll to compare")
    sketches = np.stack(list(scrolls.values()))
    chances = reference.chances(sketches)
    strange = reference.strangeness(sketches)
    usual = np.quantile(reference.strangeness(reference.pages).max(axis=1), 1 - ALPHA)
    read, curve = readings or {}, reference.errors
    rows = tuple(
        ScrollDrift(
            name, float(chance), _strange_features(row, usual) if chance <= ALPHA else (),
            read[name].hand_known if name in read else None,
            curve.at(read[name].doubt) if curve and name in read else None,
        )
        for name, chance, row in zip(scrolls, chances, strange, strict=True)
    )  # fmt: skip
    unlike = sum(bool(row.chance <= ALPHA) for row in rows)
    unknown = sum(row.hand_known is False for row in rows)
    shifted = (
        _shifted_scores(reference.pages, sketches) if len(rows) >= MIN_SCROLLS_FOR_SHIFT else ()
    )
    likeness: Likeness = "alike" if not shifted else "shifted"
    if any(count and binomial_tail(count, len(rows)) <= ALPHA for count in (unlike, unknown)):
        likeness = "unlike"
    return RunDrift(
        likeness, rows, unlike, shifted, reference.provenance, unknown,
        expect_together(read.values(), curve) if curve and read else None,
        curve.usual if curve else None,
    )  # fmt: skip


def write_drift(drift: RunDrift, run: Path) -> Path:
    """Write RUN/drift.json, in one step."""
    with atomic_write(run / DRIFT_FILE) as draft:
        write_json(draft, _drift_values(drift))
    return run / DRIFT_FILE


def drift_lines(drift: RunDrift) -> list[str]:
    """Sentences for the screen."""
    outside = sorted((row for row in drift.scrolls if row.stands_out), key=lambda row: row.chance)
    count = f"{len(outside)} of {len(drift.scrolls)} scrolls stand out."
    found = [count, LIKENESS_TEXT[drift.likeness], *_hand_lines(drift)]
    if drift.shifted:
        found.append("Higher over all: " + ", ".join(f.words for f in drift.shifted) + ".")
    found += [f"  {row.scroll}: {_scroll_words(row)}" for row in outside[:MAX_LISTED_SCROLLS]]
    if len(outside) > MAX_LISTED_SCROLLS:
        found.append(f"  and {len(outside) - MAX_LISTED_SCROLLS} more, see {DRIFT_FILE}")
    return found


def _scroll_words(row: ScrollDrift) -> str:
    words = ["unlike the known hands"] if row.hand_known is False else []
    words += [feature.words for feature in row.features]
    return ", ".join(words + ([error_words(row.expected)] if row.expected is not None else []))


def _hand_lines(drift: RunDrift) -> list[str]:
    """One sentence on the hands and on the errors to expect; none where the run says neither."""
    judged = [row.hand_known for row in drift.scrolls if row.hand_known is not None]
    found = []
    if drift.unknown_hands:
        count = f"{drift.unknown_hands} of {len(judged)} scrolls"
        by_chance = binomial_tail(drift.unknown_hands, len(drift.scrolls)) > ALPHA
        unlike = "Written unlike what the networks know"
        found.append(
            f"{unlike}: {count}, as many as chance has of known hands"
            if by_chance
            else f"{unlike} (an unknown hand, type, or a poor picture): {count}, which the promise"
            " does not cover"
        )
    elif judged:
        found.append("The writing is by hands of the known kind")
    if drift.expected is not None and drift.usual_share is not None:
        usual = percent(drift.usual_share)
        found.append(
            f"expect {error_words(drift.expected)}; of known hands, well taken, it is {usual}%"
        )
    return [". ".join(part[0].upper() + part[1:] for part in found) + "."] if found else []


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
        "messages": [LIKENESS_TEXT[drift.likeness], *_hand_lines(drift)],
        "reference": drift.reference,
        "unknown_hands": drift.unknown_hands,
        "expected_misread": None if drift.expected is None else asdict(drift.expected),
        "usual_misread": drift.usual_share,
        "higher_over_all": [feature.name for feature in drift.shifted],
        "scrolls": [
            asdict(row) | {"features": [feature.name for feature in row.features]}
            for row in drift.scrolls
        ],
    }

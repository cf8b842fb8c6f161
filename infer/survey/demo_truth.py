"""The truth of the demonstration's pages: a reader who never errs, and what was written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from crownlet.datasets.page.truth import LetterTruth
from crownlet.infer.records import GlyphRecord
from crownlet.infer.review.names import STORE
from crownlet.infer.review.store import ReviewStore, Said
from crownlet.infer.run import Run
from crownlet.infer.survey.demo_scenario import FAULTS, SCRIBES, Sheet, set_rates
from crownlet.infer.survey.gathering import Gathered
from crownlet.infer.survey.records import Comparison
from crownlet.infer.survey.view import PutIn, PutInRow

Marks = frozenset[str]
Truth = Mapping[tuple[str, int], Marks]
"""Faults of each letter as it was written, by page and number of the letter."""
READER = "simulated"
APART = 0.5
"""Bodies between a letter as found and as written, beyond which they are not the same."""


def written(letters: Sequence[LetterTruth], glyphs: Sequence[GlyphRecord]) -> list[Marks | None]:
    """Faults of the letter written where each glyph was found; None where none was written."""
    at = np.array([_anchor(letter.body) for letter in letters])
    found: list[Marks | None] = []
    for glyph in glyphs:
        away = np.hypot(*(at - _anchor(glyph.body)).T)
        k = int(away.argmin())
        same = away[k] < APART * letters[k].body[2]
        found.append(_faults(letters[k]) if same else None)
    return found


def _faults(letter: LetterTruth) -> Marks:
    return frozenset(mark.name for mark in letter.defects)


def _anchor(body: tuple[float, float, float, float]) -> NDArray[np.float64]:
    angle = np.deg2rad(body[3])
    return np.array([body[0] - np.sin(angle) * body[2] / 2, body[1] + np.cos(angle) * body[2] / 2])


def decide(run: Run, truth: Truth) -> int:
    """Answer every question of the audit as it was written; returns how many."""
    store = ReviewStore.open(run.folder / STORE, run)
    try:
        answers = []
        for item in store.items(READER):
            marks = truth.get((item.page, item.glyphs[0]))
            choice = "cannot_tell" if marks is None else "not_present"
            if marks and item.kind in marks:
                choice = "present"
            answers.append(Said(item.id, choice, item.version))
        store.decide_many(answers, READER)
        return len(answers)
    finally:
        store.close()


def put_in(survey: Gathered, results: Comparison, work: tuple[Sheet, ...], truth: Truth) -> PutIn:
    """What was set and written beside what was estimated, for the faults that were put in."""
    tables, text = survey.tables, work[0].spec.portion
    marks = [truth.get(place, frozenset()) for place in
             zip(survey.page.tolist(), survey.glyph.tolist(), strict=True)]  # fmt: skip
    said = {defect: tables.predicted[tables.defects.index(defect)] for defect in FAULTS}
    counted = {d: "".join(sorted(set(tables.letter[~np.isnan(p)]))) for d, p in said.items()}
    source_of = tables.source_of[tables.scroll]
    rates = {(rate.defect, rate.source): rate for rate in results.rates}
    rows = []
    sets = {s.source: set_rates(s, Path(text or ""), counted) for s in SCRIBES}
    for defect, network in said.items():
        has = np.array([defect in own for own in marks], dtype=float)
        for name, code in sorted(survey.codes.items(), key=lambda item: item[1]):
            mine = ~np.isnan(network) & (source_of == tables.sources.index(code))
            rows.append(
                PutInRow(
                    defect, code, sets[name][defect], float(has[mine].mean()),
                    float(network[mine].mean()), rates[defect, code],
                )
            )  # fmt: skip
    return PutIn(_says(survey, rows), tuple(rows))


def _says(survey: Gathered, rows: list[PutInRow]) -> tuple[str, ...]:
    manners = "; ".join(f"{survey.codes[scribe.source]}, {scribe.manner}" for scribe in SCRIBES)
    held = sum(row.holds == "yes" for row in rows)
    off = max(abs(row.network - row.written) for row in rows)
    return (
        f"The scribes are invented: {manners}.",
        "Set: how often such a scribe makes the fault over many scrolls. Written: how often it "
        "stands in these scrolls. Network alone: the mean of its probabilities, before the audit "
        f"corrects them; it is off by {100 * off:.1f} in 100 letters at most, on pages by the "
        "generator from which it learned, and would be off by more on real writing.",
        f"{held} of {len(rows)} intervals hold what was set. Scribes that were invented to be "
        "compared test the reckoning, and say nothing about any scribe there is.",
    )

"""`crownlet survey demo`: an invented survey from scans to report, with the truth beside it.

The sources and their scrolls are those of `scenario.list_survey_sheets`; a simulated reader answers
the audit by what was written, and the report compares estimated rates with the true ones.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.stats import gamma

from crownlet.datasets.coco.truth import LetterTruth
from crownlet.datasets.files.atomic import atomic_write, write_csv, write_file
from crownlet.datasets.render.page.faults import plan_page
from crownlet.datasets.scribal.texts import read_portion
from crownlet.infer.demo.scenario import (
    FACTOR_SHAPE,
    SAME_LETTER_DISTANCE_BODIES,
    SURVEY_DEFECTS,
    SURVEY_SEED,
    SURVEY_SOURCES,
    DemoSheet,
    DemoSource,
    letter_anchor,
    list_survey_sheets,
    survey_spec,
    write_scan,
)
from crownlet.infer.records import GlyphRecord
from crownlet.infer.review.decisions import Answer
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.run.names import REVIEW_STORE_FILE
from crownlet.infer.run.run import Run, open_run
from crownlet.infer.survey.data import SurveyData, load_survey
from crownlet.infer.survey.design import SurveyDesign, today, write_design
from crownlet.infer.survey.manifest import REQUIRED_COLUMNS, read_manifest
from crownlet.infer.survey.pseudonyms import read_keys
from crownlet.infer.survey.records import SurveyComparison
from crownlet.infer.survey.report import write_report
from crownlet.infer.survey.report_view import DemoTruth, TrueRateRow
from crownlet.infer.survey.run import SurveyRequest, prepare_survey

LINES_OF_FACE = 7
"""Lines of a face: about 230 letters."""

PLANNED_PAGES = 60
"""Pages planned to compute the expected rates; they are not written."""

LETTERS_AUDITED_PER_SCROLL = 20.0
"""Letters of each scroll audited for each of the planted defects."""

OPENING = (
    "A demonstration. Sources, scribes and faults are invented, every letter was drawn by this "
    "program's own generator, and the audit was answered from what the generator wrote, as by a "
    "reader who never errs. What was put in stands at the end."
)

DefectNames = frozenset[str]

DefectsByLetter = Mapping[tuple[str, int], DefectNames]
"""Defects of each letter as it was written, by page and number of the letter."""

READER = "simulated"

PAGES_PER_PROGRESS_LINE = 12


def run_survey_demo(
    out: Path, scrolls: int = 8, model: str | None = None, say: Callable[[str], object] = print
) -> Path:
    """Write scans, manifest and survey into `out`; returns the report.

    ModelError when the networks cannot be used, OSError when `out` cannot be written.
    """
    start = time.perf_counter()

    def report(done: str) -> None:
        say(f"{done} ({time.perf_counter() - start:.0f} s)")

    (out / "scans").mkdir(parents=True, exist_ok=True)
    sheets = list_survey_sheets(scrolls, write_text(out / "text.txt"))
    written = {s.name: write_scan(s, out / "scans" / f"{s.name}.png").letters for s in sheets}
    report(f"{len(sheets)} pages written")
    folder = out / "survey"
    if folder.exists():
        shutil.rmtree(folder)
    design = SurveyDesign(
        today(), SURVEY_DEFECTS, audit=LETTERS_AUDITED_PER_SCROLL, seed=SURVEY_SEED, scrolls=scrolls
    )
    write_design(out / "design.json", design)
    request = SurveyRequest(design=design, model=model)
    survey_run = prepare_survey(read_manifest(_write_manifest(out, sheets)), folder, request)
    for number, _ in enumerate(survey_run.pages(), start=1):
        if number % PAGES_PER_PROGRESS_LINE == 0:
            report(f"{number} pages inspected")
    survey_run.finish()
    run = open_run(folder)
    truth: dict[tuple[str, int], DefectNames] = {}
    for key in read_keys(folder):
        glyphs = run.pages[key.page].record.glyphs
        matched = match_written_letters(written[Path(key.scan).stem], glyphs)
        for glyph, defects in zip(glyphs, matched, strict=True):
            if defects is not None:
                truth[key.page, glyph.glyph] = defects
    report(f"{answer_audit(run, truth)} audit questions answered")
    survey = load_survey(folder)
    return write_report(
        folder, survey, SURVEY_SEED, opening=(OPENING,),
        compare_with_truth=lambda results: compare_with_truth(survey, results, sheets, truth),
    )  # fmt: skip


def write_text(path: Path) -> Path:
    """The first lines of a mezuzah as a text file, for generator and inspection alike."""
    lines = read_portion("mezuzah").lines or ()
    text = "".join(" ".join(words) + "\n" for words in lines[:LINES_OF_FACE])
    write_file(path, text)
    return path


def compute_expected_rates(
    source: DemoSource, text: Path, eligible: dict[str, str]
) -> dict[str, float]:
    """Rate of each defect over both sides, from pages that are planned and not written.

    Their factors are the quantiles of the distribution of scrolls: rates above 1 are cut off at 1.
    `eligible` maps a defect to the letters of the alphabet that count for it.
    """
    letters = dict.fromkeys(eligible, 0)
    defects = dict.fromkeys(eligible, 0)
    for side in ("face", "reverse"):
        for seed in range(PLANNED_PAGES):
            factor = float(
                gamma.ppf((seed + 0.5) / PLANNED_PAGES, FACTOR_SHAPE, scale=1 / FACTOR_SHAPE)
            )
            spec = survey_spec(source, side, text, factor)
            lines = read_portion(spec.portion or "").lines or ()
            for row in plan_page(lines, spec, np.random.default_rng(seed)).lines:
                for slot in row:
                    planned = {name for name, _ in slot.faults}
                    for defect, forms in eligible.items():
                        letters[defect] += slot.letter in forms
                        defects[defect] += defect in planned and slot.letter in forms
    return {defect: defects[defect] / max(letters[defect], 1) for defect in eligible}


def match_written_letters(
    letters: Sequence[LetterTruth], glyphs: Sequence[GlyphRecord]
) -> list[DefectNames | None]:
    """Defects of the letter written where each glyph was found; None where none was written."""
    anchors = np.array([letter_anchor(letter.body) for letter in letters])
    found: list[DefectNames | None] = []
    for glyph in glyphs:
        distances = np.hypot(*(anchors - letter_anchor(glyph.body)).T)
        k = int(distances.argmin())
        same = distances[k] < SAME_LETTER_DISTANCE_BODIES * letters[k].body[2]
        found.append(frozenset(d.name for d in letters[k].defects) if same else None)
    return found


def answer_audit(run: Run, truth: DefectsByLetter) -> int:
    """Answer every question of the audit by what was written; returns the number of answers."""
    store = ReviewStore.open(run.folder / REVIEW_STORE_FILE, run)
    try:
        answers = []
        for item in store.items(READER):
            defects = truth.get((item.page, item.glyphs[0]))
            choice = "cannot_tell" if defects is None else "not_present"
            if defects and item.kind in defects:
                choice = "present"
            answers.append(Answer(item.id, choice, item.version))
        store.decide_many(answers, READER)
        return len(answers)
    finally:
        store.close()


def compare_with_truth(
    survey: SurveyData,
    results: SurveyComparison,
    sheets: tuple[DemoSheet, ...],
    truth: DefectsByLetter,
) -> DemoTruth:
    """Expected and written rates beside the estimated ones, for the planted defects."""
    arrays, text = survey.arrays, Path(sheets[0].portion)
    places = zip(survey.page.tolist(), survey.glyph.tolist(), strict=True)
    written = [truth.get(place, frozenset()) for place in places]
    predicted = {d: arrays.predicted[arrays.defects.index(d)] for d in SURVEY_DEFECTS}
    eligible = {d: "".join(sorted(set(arrays.letter[~np.isnan(p)]))) for d, p in predicted.items()}
    expected = {s.name: compute_expected_rates(s, text, eligible) for s in SURVEY_SOURCES}
    source_of = arrays.source_of[arrays.scroll]
    rates = {(rate.defect, rate.source): rate for rate in results.rates}
    rows = []
    for defect, network in predicted.items():
        present = np.array([defect in defects for defects in written], dtype=float)
        for name, code in sorted(survey.codes.items(), key=lambda item: item[1]):
            own = ~np.isnan(network) & (source_of == arrays.sources.index(code))
            if not own.any():  # The pictures of this source do not carry the judgement.
                continue
            rows.append(
                TrueRateRow(
                    defect, code, expected[name][defect],
                    _mean_of_scrolls(present, own, arrays.scroll),
                    _mean_of_scrolls(network, own, arrays.scroll), rates[defect, code],
                )
            )  # fmt: skip
    return DemoTruth(_describe_truth(survey, rows), tuple(rows))


def _mean_of_scrolls(
    values: NDArray[np.float64], own: NDArray[np.bool_], scroll: NDArray[np.int64]
) -> float:
    """The mean over scrolls of the mean of each one's letters, those of the mask `own`."""
    return float(np.mean([values[own & (scroll == number)].mean() for number in set(scroll[own])]))


def _describe_truth(survey: SurveyData, rows: list[TrueRateRow]) -> tuple[str, ...]:
    manners = "; ".join(
        f"{survey.codes[source.name]}, {source.manner}" for source in SURVEY_SOURCES
    )
    covered = sum(row.covered == "yes" for row in rows)
    error = max(abs(row.network - row.written) for row in rows)
    return (
        f"The scribes are invented: {manners}.",
        "Set: how often such a scribe makes the fault over many scrolls. Written: how often it "
        "stands in these scrolls. Network alone: the mean of its probabilities, before the audit "
        f"corrects them; it is off by {100 * error:.1f} in 100 letters at most, on pages by the "
        "generator from which it learned, and would be off by more on real writing.",
        f"{covered} of {len(rows)} intervals hold what was set. Scribes that were invented to be "
        "compared test the reckoning, and say nothing about any scribe there is.",
    )


def _write_manifest(out: Path, sheets: tuple[DemoSheet, ...]) -> Path:
    rows = [
        (
            f"scans/{sheet.name}.png", sheet.scroll, sheet.source.name, sheet.side,
            "text.txt" if sheet.side == "face" else "mezuzah_reverse",
        )
        for sheet in sheets
    ]  # fmt: skip
    path = out / "manifest.csv"
    with atomic_write(path) as draft:
        write_csv(draft, (*REQUIRED_COLUMNS, "portion"), rows)
    return path

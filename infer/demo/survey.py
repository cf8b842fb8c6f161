"""`crownlet survey demo`: an invented survey from scans to report, with the truth beside it.

Three sources whose scribes write three defects with known probabilities. Every scroll is the first
lines of a mezuzah with its reverse. Scrolls of one source differ: a scroll's probability is the
source's times a random factor with the mean 1, so that letters of one scroll are correlated.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.stats import gamma

from crownlet.datasets.coco.truth import LetterTruth
from crownlet.datasets.files.atomic import write_csv
from crownlet.datasets.render.page.faults import plan_page
from crownlet.datasets.render.page.spec import Augment, PageSpec, mezuzah
from crownlet.datasets.scribal.texts import read_portion
from crownlet.infer.demo.samples import scan_page
from crownlet.infer.records import GlyphRecord
from crownlet.infer.review.decisions import Answer
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.run.names import REVIEW_STORE_FILE
from crownlet.infer.run.run import Run, open_run
from crownlet.infer.survey.data import SurveyData, load_survey
from crownlet.infer.survey.manifest import REQUIRED_COLUMNS, read_manifest
from crownlet.infer.survey.pseudonyms import read_keys
from crownlet.infer.survey.records import SurveyComparison
from crownlet.infer.survey.report import write_report
from crownlet.infer.survey.report_view import DemoTruth, TrueRateRow
from crownlet.infer.survey.run import SurveyRequest, prepare_survey
from crownlet.infer.text.side import Side

BODY_PX, DPI = 44.0, 600.0

LINES_OF_FACE = 7
"""Lines of a face: about 230 letters."""

PLANTED_DEFECTS = ("tag_missing", "part_loose", "leg_touches_roof")

GAMMA_SHAPE = 6.0
"""Of the distribution of scrolls' factors: the smaller, the more scrolls of one source differ."""

DEMO_SEED = 2026

PLANNED_PAGES = 60
"""Pages planned to compute the expected rates; they are not written."""

_AUGMENT = Augment(device="none", ink=0.45, skin=0.5, light=0.0, blur=0.0, noise=0.0, warp=0.0)

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

SAME_LETTER_DISTANCE_BODIES = 0.5
"""A letter found farther than this from every written one is none of them."""


@dataclass(frozen=True)
class Scribe:
    """An invented source: its hand, and its defects on either side."""

    source: str
    manner: str
    hand: int
    face_rate: float
    """Rate of defects on the face, as `PageSpec.defect_rate`."""
    reverse_rate: float
    defects: tuple[str, ...] = PLANTED_DEFECTS


SCRIBES = (
    Scribe("First invented source", "an even hand with few faults", 7, 0.04, 0.04),
    Scribe("Second invented source", "a quick hand with many", 4, 0.2, 0.2),
    Scribe(
        "Third invented source", "a hand that crowns the outside, and inside half the letters",
        12, 0.95, 0.0, ("tag_missing",),
    ),
)  # fmt: skip


@dataclass(frozen=True)
class Sheet:
    """One side of one scroll."""

    scribe: Scribe
    scroll: str
    side: Side
    spec: PageSpec
    seed: int

    @property
    def name(self) -> str:
        """The scan's name."""
        return f"{self.scroll}-{self.side}"


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
    sheets = list_sheets(scrolls, write_text(out / "text.txt"))
    written = {sheet.name: _write_scan(sheet, out) for sheet in sheets}
    report(f"{len(sheets)} pages written")
    folder = out / "survey"
    if folder.exists():
        shutil.rmtree(folder)
    request = SurveyRequest(DEMO_SEED, LETTERS_AUDITED_PER_SCROLL, PLANTED_DEFECTS, model)
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
        folder, survey, DEMO_SEED, opening=(OPENING,),
        compare_with_truth=lambda results: compare_with_truth(survey, results, sheets, truth),
    )  # fmt: skip


def list_sheets(scrolls: int, text: Path) -> tuple[Sheet, ...]:
    """Both sides of `scrolls` scrolls of each source; `text` is the file of a face's text."""
    rng = np.random.default_rng(DEMO_SEED)
    sheets = []
    for number, scribe in enumerate(SCRIBES, start=1):
        for k, factor in enumerate(rng.gamma(GAMMA_SHAPE, 1 / GAMMA_SHAPE, scrolls), start=1):
            for side in ("face", "reverse"):
                spec = make_spec(scribe, side, text, float(factor))
                sheets.append(Sheet(scribe, f"s{number}-{k:02d}", side, spec, 1000 * number + k))
    return tuple(sheets)


def make_spec(scribe: Scribe, side: Side, text: Path, factor: float) -> PageSpec:
    """How the generator writes one side; `factor` times the scribe's rate, 1 at most."""
    rate = min(1.0, factor * (scribe.face_rate if side == "face" else scribe.reverse_rate))
    spec = mezuzah(
        BODY_PX, split="heldout", hand=scribe.hand, defect_rate=rate, habit_rate=0.0, gap_rate=0.0,
        text_rate=0.0, plainness=(0.75, 1.0), second_rate=0.0, crowned=1.0, generous=0.0,
        morph_rate=0.0, oddity_rate=0.0, close=0.0, defects=scribe.defects, augment=_AUGMENT,
        dpi=DPI, portion=str(text) if side == "face" else "mezuzah_reverse",
    )  # fmt: skip
    return spec if side == "face" else replace(spec, margin=(6.0, 8.0), justify=0.0)


def write_text(path: Path) -> Path:
    """The first lines of a mezuzah as a text file, for generator and inspection alike."""
    lines = read_portion("mezuzah").lines or ()
    text = "".join(" ".join(words) + "\n" for words in lines[:LINES_OF_FACE])
    path.write_text(text, encoding="utf-8")
    return path


def compute_expected_rates(
    scribe: Scribe, text: Path, eligible: dict[str, str]
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
                gamma.ppf((seed + 0.5) / PLANNED_PAGES, GAMMA_SHAPE, scale=1 / GAMMA_SHAPE)
            )
            spec = make_spec(scribe, side, text, factor)
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
    anchors = np.array([_anchor(letter.body) for letter in letters])
    found: list[DefectNames | None] = []
    for glyph in glyphs:
        distances = np.hypot(*(anchors - _anchor(glyph.body)).T)
        k = int(distances.argmin())
        same = distances[k] < SAME_LETTER_DISTANCE_BODIES * letters[k].body[2]
        found.append(frozenset(d.name for d in letters[k].defects) if same else None)
    return found


def _anchor(body: tuple[float, float, float, float]) -> NDArray[np.float64]:
    """Middle of a letter's body, x and y in px, from its ruled line, height and rotation."""
    angle = np.deg2rad(body[3])
    return np.array([body[0] - np.sin(angle) * body[2] / 2, body[1] + np.cos(angle) * body[2] / 2])


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
    survey: SurveyData, results: SurveyComparison, sheets: tuple[Sheet, ...], truth: DefectsByLetter
) -> DemoTruth:
    """Expected and written rates beside the estimated ones, for the planted defects."""
    arrays, text = survey.arrays, Path(sheets[0].spec.portion or "")
    places = zip(survey.page.tolist(), survey.glyph.tolist(), strict=True)
    written = [truth.get(place, frozenset()) for place in places]
    predicted = {d: arrays.predicted[arrays.defects.index(d)] for d in PLANTED_DEFECTS}
    eligible = {d: "".join(sorted(set(arrays.letter[~np.isnan(p)]))) for d, p in predicted.items()}
    expected = {s.source: compute_expected_rates(s, text, eligible) for s in SCRIBES}
    source_of = arrays.source_of[arrays.scroll]
    rates = {(rate.defect, rate.source): rate for rate in results.rates}
    rows = []
    for defect, network in predicted.items():
        present = np.array([defect in defects for defects in written], dtype=float)
        for name, code in sorted(survey.codes.items(), key=lambda item: item[1]):
            own = ~np.isnan(network) & (source_of == arrays.sources.index(code))
            rows.append(
                TrueRateRow(
                    defect, code, expected[name][defect], float(present[own].mean()),
                    float(network[own].mean()), rates[defect, code],
                )
            )  # fmt: skip
    return DemoTruth(_describe_truth(survey, rows), tuple(rows))


def _describe_truth(survey: SurveyData, rows: list[TrueRateRow]) -> tuple[str, ...]:
    manners = "; ".join(f"{survey.codes[scribe.source]}, {scribe.manner}" for scribe in SCRIBES)
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


def _write_scan(sheet: Sheet, out: Path) -> tuple[LetterTruth, ...]:
    """Compose and scan one side; its letters."""
    from crownlet.datasets.render.page.compose import compose

    truth = compose(sheet.spec, sheet.seed)
    scan = Image.fromarray(scan_page(truth.image, sheet.seed))
    scan.save(out / "scans" / f"{sheet.name}.png", dpi=(DPI, DPI), compress_level=1)
    return truth.letters


def _write_manifest(out: Path, sheets: tuple[Sheet, ...]) -> Path:
    rows = [
        (
            f"scans/{sheet.name}.png", sheet.scroll, sheet.scribe.source, sheet.side,
            "text.txt" if sheet.side == "face" else "mezuzah_reverse",
        )
        for sheet in sheets
    ]  # fmt: skip
    write_csv(out / "manifest.csv", (*REQUIRED_COLUMNS, "portion"), rows)
    return out / "manifest.csv"

"""The invented survey: three sources whose scribes write with set chances of three faults.

Every scroll is the first lines of a mezuzah with its back. Scrolls of one source differ: a scroll's
chance is the source's times a number drawn about 1, so that letters of one scroll are alike.
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
from crownlet.infer.demo.samples import scanned
from crownlet.infer.records import GlyphRecord
from crownlet.infer.review.decisions import Answer
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.run.names import STORE
from crownlet.infer.run.run import Run, open_run
from crownlet.infer.survey.data import SurveyData, load_survey
from crownlet.infer.survey.manifest import read_manifest
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
"""Shape of the gamma distribution of scrolls about their source: the smaller the more unlike."""

DEMO_SEED = 2026

PLANNED_PAGES = 60
"""Pages planned to work out what was set; they are not written."""

_AUGMENT = Augment(device="none", ink=0.45, skin=0.5, light=0.0, blur=0.0, noise=0.0, warp=0.0)


@dataclass(frozen=True)
class Scribe:
    """An invented source: its hand, and its faults on either side."""

    source: str
    manner: str
    hand: int
    face: float
    """Strength of faults on the face, as `PageSpec.defect_rate`."""
    reverse: float
    faults: tuple[str, ...] = PLANTED_DEFECTS


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


def list_sheets(scrolls: int, text: Path) -> tuple[Sheet, ...]:
    """Both sides of `scrolls` scrolls of each source; `text` is what a face holds."""
    rng = np.random.default_rng(DEMO_SEED)
    made = []
    for number, scribe in enumerate(SCRIBES, start=1):
        for k, strength in enumerate(rng.gamma(GAMMA_SHAPE, 1 / GAMMA_SHAPE, scrolls), start=1):
            for side in ("face", "reverse"):
                spec = make_spec(scribe, side, text, float(strength))
                made.append(Sheet(scribe, f"s{number}-{k:02d}", side, spec, 1000 * number + k))
    return tuple(made)


def make_spec(scribe: Scribe, side: Side, text: Path, strength: float) -> PageSpec:
    """How the generator writes one side; a chance above 1 is 1."""
    rate = min(1.0, strength * (scribe.face if side == "face" else scribe.reverse))
    spec = mezuzah(
        BODY_PX, split="heldout", hand=scribe.hand, defect_rate=rate, habit_rate=0.0, gap_rate=0.0,
        text_rate=0.0, plainness=(0.75, 1.0), second_rate=0.0, crowned=1.0, generous=0.0,
        morph_rate=0.0, oddity_rate=0.0, close=0.0, defects=scribe.faults, augment=_AUGMENT, dpi=DPI,
        portion=str(text) if side == "face" else "mezuzah_reverse",
    )  # fmt: skip
    return spec if side == "face" else replace(spec, margin=(6.0, 8.0), justify=0.0)


def write_text(path: Path) -> Path:
    """The first lines of a mezuzah as a text file, for generator and inspection alike."""
    lines = read_portion("mezuzah").lines or ()
    text = "".join(" ".join(words) + "\n" for words in lines[:LINES_OF_FACE])
    path.write_text(text, encoding="utf-8")
    return path


def compute_true_rates(scribe: Scribe, text: Path, counted: dict[str, str]) -> dict[str, float]:
    """Chance of each fault over both sides, from pages that are planned and not written.

    Their scrolls stand evenly over the distribution of scrolls: strong ones are cut off at 1.
    `counted` maps a fault to the letters that count for it.
    """
    letters = dict.fromkeys(counted, 0)
    faults = dict.fromkeys(counted, 0)
    for side in ("face", "reverse"):
        for seed in range(PLANNED_PAGES):
            strength = float(
                gamma.ppf((seed + 0.5) / PLANNED_PAGES, GAMMA_SHAPE, scale=1 / GAMMA_SHAPE)
            )
            spec = make_spec(scribe, side, text, strength)
            lines = read_portion(spec.portion or "").lines or ()
            for row in plan_page(lines, spec, np.random.default_rng(seed)).lines:
                for slot in row:
                    had = {name for name, _ in slot.faults}
                    for fault, forms in counted.items():
                        letters[fault] += slot.letter in forms
                        faults[fault] += fault in had and slot.letter in forms
    return {fault: faults[fault] / max(letters[fault], 1) for fault in counted}


DefectNames = frozenset[str]

DefectsByLetter = Mapping[tuple[str, int], DefectNames]
"""Faults of each letter as it was written, by page and number of the letter."""

READER = "simulated"

SAME_LETTER_DISTANCE_BODIES = 0.5
"""Bodies between a letter as found and as written, beyond which they are not the same."""


def match_written_letters(
    letters: Sequence[LetterTruth], glyphs: Sequence[GlyphRecord]
) -> list[DefectNames | None]:
    """Faults of the letter written where each glyph was found; None where none was written."""
    at = np.array([_anchor(letter.body) for letter in letters])
    found: list[DefectNames | None] = []
    for glyph in glyphs:
        away = np.hypot(*(at - _anchor(glyph.body)).T)
        k = int(away.argmin())
        same = away[k] < SAME_LETTER_DISTANCE_BODIES * letters[k].body[2]
        found.append(_defect_names(letters[k]) if same else None)
    return found


def _defect_names(letter: LetterTruth) -> DefectNames:
    return frozenset(mark.name for mark in letter.defects)


def _anchor(body: tuple[float, float, float, float]) -> NDArray[np.float64]:
    angle = np.deg2rad(body[3])
    return np.array([body[0] - np.sin(angle) * body[2] / 2, body[1] + np.cos(angle) * body[2] / 2])


def answer_audit(run: Run, truth: DefectsByLetter) -> int:
    """Answer every question of the audit as it was written; returns how many."""
    store = ReviewStore.open(run.folder / STORE, run)
    try:
        answers = []
        for item in store.items(READER):
            marks = truth.get((item.page, item.glyphs[0]))
            choice = "cannot_tell" if marks is None else "not_present"
            if marks and item.kind in marks:
                choice = "present"
            answers.append(Answer(item.id, choice, item.version))
        store.decide_many(answers, READER)
        return len(answers)
    finally:
        store.close()


def compare_with_truth(
    survey: SurveyData, results: SurveyComparison, work: tuple[Sheet, ...], truth: DefectsByLetter
) -> DemoTruth:
    """What was set and written beside what was estimated, for the faults that were put in."""
    tables, text = survey.tables, work[0].spec.portion
    marks = [truth.get(place, frozenset()) for place in
             zip(survey.page.tolist(), survey.glyph.tolist(), strict=True)]  # fmt: skip
    said = {defect: tables.predicted[tables.defects.index(defect)] for defect in PLANTED_DEFECTS}
    counted = {d: "".join(sorted(set(tables.letter[~np.isnan(p)]))) for d, p in said.items()}
    source_of = tables.source_of[tables.scroll]
    rates = {(rate.defect, rate.source): rate for rate in results.rates}
    rows = []
    sets = {s.source: compute_true_rates(s, Path(text or ""), counted) for s in SCRIBES}
    for defect, network in said.items():
        has = np.array([defect in own for own in marks], dtype=float)
        for name, code in sorted(survey.codes.items(), key=lambda item: item[1]):
            mine = ~np.isnan(network) & (source_of == tables.sources.index(code))
            rows.append(
                TrueRateRow(
                    defect, code, sets[name][defect], float(has[mine].mean()),
                    float(network[mine].mean()), rates[defect, code],
                )
            )  # fmt: skip
    return DemoTruth(_describe_truth(survey, rows), tuple(rows))


def _describe_truth(survey: SurveyData, rows: list[TrueRateRow]) -> tuple[str, ...]:
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


LETTERS_AUDITED_PER_SCROLL = 20.0
"""Letters of each scroll read for each of the faults put in."""

OPENING = (
    "A demonstration. Sources, scribes and faults are invented, every letter was drawn by this "
    "program's own generator, and the audit was answered from what the generator wrote, as by a "
    "reader who never errs. What was put in stands at the end."
)

DEMO_MANIFEST_COLUMNS = ("scan", "scroll", "source", "side", "portion")


def run_survey_demo(
    out: Path, scrolls: int = 8, model: str | None = None, say: Callable[[str], object] = print
) -> Path:
    """Write scans, manifest and survey into `out`; returns the report.

    ModelError when the networks cannot be used, OSError when `out` cannot be written.
    """
    start = time.perf_counter()
    (out / "scans").mkdir(parents=True, exist_ok=True)
    text = write_text(out / "text.txt")
    work = list_sheets(scrolls, text)
    truths = {sheet.name: _write_scan(sheet, out) for sheet in work}
    say(f"{len(work)} pages written ({time.perf_counter() - start:.0f} s)")
    folder = out / "survey"
    if folder.exists():
        shutil.rmtree(folder)
    manifest = read_manifest(_write_manifest(out, work))
    running = prepare_survey(
        manifest,
        folder,
        SurveyRequest(DEMO_SEED, LETTERS_AUDITED_PER_SCROLL, PLANTED_DEFECTS, model),
    )
    for number, _ in enumerate(running.pages(), start=1):
        if number % 12 == 0:
            say(f"{number} pages inspected ({time.perf_counter() - start:.0f} s)")
    running.finish()
    run = open_run(folder)
    truth: dict[tuple[str, int], DefectNames] = {}
    for key in read_keys(folder):
        glyphs = run.pages[key.page].record.glyphs
        for glyph, marks in zip(
            glyphs, match_written_letters(truths[Path(key.scan).stem], glyphs), strict=True
        ):
            if marks is not None:
                truth[key.page, glyph.glyph] = marks
    say(
        f"{answer_audit(run, truth)} audit questions answered ({time.perf_counter() - start:.0f} s)"
    )
    survey = load_survey(folder)
    return write_report(
        folder, survey, DEMO_SEED, opening=(OPENING,),
        put_in=lambda results: compare_with_truth(survey, results, work, truth),
    )  # fmt: skip


def _write_scan(sheet: Sheet, out: Path) -> tuple[LetterTruth, ...]:
    """Compose and scan one side; its letters."""
    from crownlet.datasets.render.page.compose import compose

    truth = compose(sheet.spec, sheet.seed)
    scan = Image.fromarray(scanned(truth.image, sheet.seed))
    scan.save(out / "scans" / f"{sheet.name}.png", dpi=(DPI, DPI), compress_level=1)
    return truth.letters


def _write_manifest(out: Path, work: tuple[Sheet, ...]) -> Path:
    rows = [
        (
            f"scans/{sheet.name}.png", sheet.scroll, sheet.scribe.source, sheet.side,
            "text.txt" if sheet.side == "face" else "mezuzah_reverse",
        )
        for sheet in work
    ]  # fmt: skip
    write_csv(out / "manifest.csv", DEMO_MANIFEST_COLUMNS, rows)
    return out / "manifest.csv"

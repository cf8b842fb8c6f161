"""The pages that both models read: the suites of the evaluation, and the user's own test scans."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.files.images import PageError
from crownlet.datasets.scribal.customs import load_customs
from crownlet.train.evaluation.held_out import held_out_mezuzot, held_out_pages
from crownlet.train.evaluation.photographs import measure_photographs
from crownlet.train.evaluation.type_suite import list_trials, trial_jobs
from crownlet.train.evaluation.workers import OWN_TEXT, PageReader, ReadingJob, read_page, text_of
from crownlet.train.fit.scans import scan_pages
from crownlet.train.release.compare import SuiteTally

HELD_OUT_SUITE, MEZUZOT_SUITE, TYPE_SUITE = "held-out hands", "held-out mezuzot", "type pages"

PHOTOGRAPHS_SUITE, SCANS_SUITE = "photographs", "scans"


def tally_suites(model: Path, settings: Any) -> dict[str, SuiteTally]:
    """What one model does on every suite that `settings` (the `gate` of train.yaml) asks for."""
    reader = PageReader(str(model), settings.customs, settings.workers)
    tallies = {name: _tally_jobs(reader, jobs) for name, jobs in _suites(settings).items() if jobs}
    if settings.photographs and Path(settings.photographs).is_dir():
        tallies[PHOTOGRAPHS_SUITE] = _tally_photographs(reader, Path(settings.photographs))
    if settings.scans:
        tallies[SCANS_SUITE] = _tally_scans(reader, Path(settings.scans))
    return tallies


def _suites(settings: Any) -> dict[str, list[tuple[str, ReadingJob]]]:
    """Jobs with the name of their scroll: one hand per page; in type, the page itself."""
    made = {
        HELD_OUT_SUITE: held_out_pages(settings.held_out_pages),
        MEZUZOT_SUITE: [
            ReadingJob(j.spec, j.seed, (None, OWN_TEXT)) for j in held_out_mezuzot(settings.mezuzot)
        ],
    }
    jobs = {name: [(str(job.seed), job) for job in rows] for name, rows in made.items()}
    jobs[TYPE_SUITE] = []
    for trial in list_trials() if settings.type_pages else ():
        jobs[TYPE_SUITE] += [(f"{trial.name}, page {job.seed}", job) for job in trial_jobs(trial)]
    return jobs


def _tally_jobs(reader: PageReader, jobs: list[tuple[str, ReadingJob]]) -> SuiteTally:
    tally, customs = SuiteTally(), load_customs(reader.customs)
    pages = reader.read([job for _, job in jobs])
    for (scroll, _), page in zip(jobs, pages, strict=True):
        tally.add(scroll, page.truth, page.records, customs)
    return tally


def _tally_scans(reader: PageReader, folder: Path) -> SuiteTally:
    """The test part of the user's scans, page by page, for pictures may be large."""
    tally, customs, inspector = SuiteTally(), load_customs(reader.customs), reader.inspector()
    for number, page in enumerate(_test_pages(folder)):
        texts = (None, OWN_TEXT) if _has_text(page) else (None,)
        read = read_page(inspector, ReadingJob(page, number, texts))
        tally.add(scroll_of(page, number), read.truth, read.records, customs)
    if not tally.errors:
        raise ValueError(f"{folder}: no scan of it is kept for testing")
    return tally


def _test_pages(folder: Path) -> Iterator[PageTruth]:
    return scan_pages(folder, "test")


def scroll_of(page: PageTruth, number: int) -> str:
    """The scroll of a labelled scan; a page that does not say is one of its own."""
    return str(page.meta.get("scroll") or f"page {number}")


def _has_text(page: PageTruth) -> bool:
    """Whether the labels give the words of a text to compare the page with."""
    known = [letter.word >= 0 and letter.expected is not None for letter in page.letters]
    return bool(known) and all(known) and bool(text_of(page).words)


def _tally_photographs(reader: PageReader, folder: Path) -> SuiteTally:
    tally, inspector = SuiteTally(), reader.inspector()

    def glyphs(path: Path) -> tuple[Any, ...]:
        try:
            return inspector.inspect(path).glyphs
        except PageError:
            return ()

    for photo in measure_photographs(folder, glyphs).photos:
        tally.add_errors(photo.photo, photo.errors)
    return tally

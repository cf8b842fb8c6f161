"""The type-page suite: which pages are set, and what is measured on them.

Customs that expect one tag on bedek chaya (such as `beit_yosef`) must be in force in the reader, or
those letters have no probability of `tag_missing` and are counted as unseen.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from itertools import islice

from crownlet.datasets.coco.truth import PageTruth
from crownlet.train.evaluation.defect_scores import NO_CASES, gather_cases, score_defect
from crownlet.train.evaluation.matching import (
    LetterErrors,
    SeenLetter,
    count_letter_errors,
    match_page,
)
from crownlet.train.evaluation.type_font import FONT_FILES, FontName
from crownlet.train.evaluation.type_pages import TypeSpec
from crownlet.train.evaluation.workers import OWN_TEXT, ReadingJob, ReadPage

SeenPage = tuple[PageTruth, Sequence[Sequence[SeenLetter]]]
"""What is written on a page, and the letters seen on it against each text of its job."""

TYPE_DEFECT_RATES = {
    "tag_missing": 0.25,
    "tag_bare": 0.25,
    "part_loose": 0.25,
    "leg_touches_roof": 0.25,
}

TYPE_BODIES_PX = (64, 32)


@dataclass(frozen=True)
class Trial:
    """Pages measured together, under a name of the card such as `clean, 64 px`."""

    name: str
    pages: tuple[TypeSpec, ...]
    defects: tuple[str, ...] = ()


def list_trials(degraded: bool = True) -> Iterator[Trial]:
    """All trials: clean letters, then letters with defects, at both sizes and, maybe, degraded."""
    for body in TYPE_BODIES_PX:
        for poor in (False, True) if degraded else (False,):
            state = "degraded" if poor else "clean"
            clean = tuple(_pages(body, poor, {}))
            hurt = tuple(_pages(body, poor, TYPE_DEFECT_RATES))
            yield Trial(f"letters, {state}, {body} px", clean)
            yield Trial(f"defects, {state}, {body} px", hurt, tuple(TYPE_DEFECT_RATES))


def _pages(body: int, degraded: bool, defects: dict[str, float]) -> Iterator[TypeSpec]:
    for font in FONT_FILES:
        yield TypeSpec(font, "mezuzah", body, "white", defects, degraded=degraded)
        yield TypeSpec(font, "alphabet", body, "cream", defects, degraded=degraded)


def trial_jobs(trial: Trial, seed: int = 0) -> list[ReadingJob]:
    """The pages of a trial, to be read without a text and against their own."""
    return [
        ReadingJob(spec, seed + number, (None, OWN_TEXT)) for number, spec in enumerate(trial.pages)
    ]


def measure_trial(trial: Trial, pages: Iterable[SeenPage]) -> dict[str, object]:
    """The numbers of a trial as plain values, `pages` being those of its jobs, read.

    Letters are read without a text and with it, defects with it, as in
    `held_out.measure_fragments`.
    """
    errors: dict[FontName, LetterErrors] = {font: LetterErrors() for font in FONT_FILES}
    with_text = LetterErrors()
    cases = dict.fromkeys(trial.defects, NO_CASES)
    for spec, (page, (freely, seen)) in zip(trial.pages, pages, strict=True):
        errors[spec.font] += count_letter_errors(page.letters, freely)
        match = match_page(page.letters, seen)
        with_text += count_letter_errors(page.letters, seen, match)
        for name in cases:
            cases[name] += gather_cases(page.letters, seen, name, match)
    total = sum(errors.values(), LetterErrors())
    return {
        **total.summary(),
        "with_its_text": with_text.summary(),
        "letter_error_rate_by_font": {font: found.rate for font, found in errors.items()},
        "defects": {name: asdict(score_defect(found)) for name, found in cases.items()},
    }


def measure_type_pages(
    read: Callable[[Sequence[ReadingJob]], Iterable[ReadPage]], degraded: bool = True, seed: int = 0
) -> dict[str, dict[str, object]]:
    """The whole suite, by name of trial. About 2900 letters a trial."""
    chosen = list(list_trials(degraded))
    pages = iter(read([job for trial in chosen for job in trial_jobs(trial, seed)]))
    return {
        trial.name: measure_trial(trial, map(_seen, islice(pages, len(trial.pages))))
        for trial in chosen
    }


def _seen(page: ReadPage) -> SeenPage:
    """Of a refused page nothing is seen."""
    if page.records is None:
        return page.truth, [() for _ in page.job.texts]
    return page.truth, [record.glyphs for record in page.records]

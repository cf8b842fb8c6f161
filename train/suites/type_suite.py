"""The type-page suite: which pages are set, and what is measured on them.

Customs that expect one tag on bedek chaya (such as `beit_yosef`) must be in force in the reader, or
those letters have no probability of `tag_missing` and are counted as unseen.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass

import numpy as np
import numpy.typing as npt

from crownlet.datasets.texts import Portion
from crownlet.train.suites.defect_scores import NO_CASES, gather_cases, score_defect
from crownlet.train.suites.errors import LetterErrors
from crownlet.train.suites.matching import SeenLetter, letter_errors, match_page
from crownlet.train.suites.page_text import text_of
from crownlet.train.suites.type_font import FILES, FontName
from crownlet.train.suites.type_pages import TypeSpec, compose_type_page

Reader = Callable[[npt.NDArray[np.uint8], Sequence[Portion | None]], Sequence[Sequence[SeenLetter]]]
"""Sees the letters of an image, (H, W) or (H, W, 3) RGB, against each of some texts."""

DEFECTS = {"tag_missing": 0.25, "tag_bare": 0.25, "part_loose": 0.25, "leg_touches_roof": 0.25}
BODIES = (64, 32)


@dataclass(frozen=True)
class Trial:
    """Pages measured together, under a name of the card such as `clean, 64 px`."""

    name: str
    pages: tuple[TypeSpec, ...]
    defects: tuple[str, ...] = ()


def trials(degraded: bool = True) -> Iterator[Trial]:
    """All trials: clean letters, then letters with defects, at both sizes and, maybe, degraded."""
    for body in BODIES:
        for poor in (False, True) if degraded else (False,):
            state = "degraded" if poor else "clean"
            clean = tuple(_pages(body, poor, {}))
            hurt = tuple(_pages(body, poor, DEFECTS))
            yield Trial(f"letters, {state}, {body} px", clean)
            yield Trial(f"defects, {state}, {body} px", hurt, tuple(DEFECTS))


def _pages(body: int, degraded: bool, defects: dict[str, float]) -> Iterator[TypeSpec]:
    for font in FILES:
        yield TypeSpec(font, "mezuzah", body, "white", defects, degraded=degraded)
        yield TypeSpec(font, "alphabet", body, "cream", defects, degraded=degraded)


def measure_trial(trial: Trial, read: Reader, seed: int = 0) -> dict[str, object]:
    """Set the pages of a trial, have them read, and give the numbers as plain values.

    Letters are read without a text, defects with it, as in `held_out.measure_fragments`.
    """
    errors: dict[FontName, LetterErrors] = {font: LetterErrors() for font in FILES}
    cases = dict.fromkeys(trial.defects, NO_CASES)
    for number, spec in enumerate(trial.pages):
        page = compose_type_page(spec, seed + number)
        freely, seen = read(page.image, (None, text_of(page)))
        errors[spec.font] += letter_errors(page.letters, freely)
        match = match_page(page.letters, seen)
        for name in cases:
            cases[name] += gather_cases(page.letters, seen, name, match)
    total = sum(errors.values(), LetterErrors())
    return {
        **total.summary(),
        "letter_error_rate_by_font": {font: found.rate for font, found in errors.items()},
        "defects": {name: asdict(score_defect(found)) for name, found in cases.items()},
    }


def measure_type_pages(
    read: Reader, degraded: bool = True, seed: int = 0
) -> dict[str, dict[str, object]]:
    """The whole suite, by name of trial. About 2900 letters a trial."""
    return {trial.name: measure_trial(trial, read, seed) for trial in trials(degraded)}

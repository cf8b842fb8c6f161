"""The data of a survey: letters of all pages as checked arrays, read from a finished folder.

What the networks answer for a letter is their calibrated probability; a letter that cannot have a
defect, or was not examined for it, is not counted for it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from crownlet.datasets.files.errors import CrownletError
from crownlet.datasets.scribal.catalogue import GLYPH_DEFECTS
from crownlet.infer.review.survey_questions import AUDIT_FILE, read_audit
from crownlet.infer.run.run import Run, open_run
from crownlet.infer.run.survey_state import DesignChange, Survey, read_survey
from crownlet.infer.run.tables import RunError
from crownlet.infer.scrolls.same_page import SAME_PAGE
from crownlet.infer.survey.audit import list_chances
from crownlet.infer.survey.conditions import PageConditions, list_conditions
from crownlet.infer.survey.design import SurveyDesign, read_coded_design
from crownlet.infer.survey.estimators import Ints, LetterSample
from crownlet.infer.survey.intervals import Floats
from crownlet.infer.survey.labels import (
    AuditCounts,
    AuditLabels,
    ReaderAgreement,
    ReaderAnswer,
    read_labels,
)
from crownlet.infer.survey.page_letters import PageLetters, name_record, read_page_letters
from crownlet.infer.survey.pseudonyms import PageKey, read_keys
from crownlet.infer.survey.response import AuditArrays, weigh_labels
from crownlet.infer.survey.scroll_counts import FACE, REVERSE, ScrollCounts, count_scrolls


class SurveyTableError(CrownletError, ValueError):
    """The arrays of a survey do not fit together; the message is one sentence for the user."""


@dataclass(frozen=True)
class SurveyArrays:
    """All letters of a survey; build it with `build_arrays`, which checks."""

    defects: tuple[str, ...]
    sources: tuple[str, ...]
    scroll: Ints
    """Scroll number of each letter, from 0, (letters,)."""
    source_of: Ints
    """Number in `sources` of each scroll, (scrolls,)."""
    predicted: Floats
    """(defects, letters); NaN where the letter cannot have the defect."""
    label: Floats
    """(defects, letters), from 0 to 1, the mean of the readers; NaN where no reader judged."""
    inclusion_probability: Floats
    """(defects, letters), in (0, 1]: before the draw, that the letter is drawn for the defect and
    labelled."""
    found: NDArray[np.bool_]
    """(defects, letters): whether the tool made a finding of it."""
    side: NDArray[np.str_]
    """(letters,): `face`, `reverse`, or empty."""
    letter: NDArray[np.str_]
    """(letters,): which letter of the alphabet it is, or empty."""
    scribe_of: NDArray[np.str_]
    """Code of each scroll's scribe, empty where not known, (scrolls,)."""

    @property
    def unit_of(self) -> Ints:
        """Number of each scroll's top independent unit, (scrolls,), from 0 without a gap.

        The scribe where known, else the scroll itself; a scribe who writes for two sources is one
        unit in each. Units are what is resampled and permuted.
        """
        keys = [
            (int(source), scribe, -1 if scribe else number)
            for number, (source, scribe) in enumerate(
                zip(self.source_of, self.scribe_of.tolist(), strict=True)
            )
        ]
        order = {key: place for place, key in enumerate(dict.fromkeys(keys))}
        return np.array([order[key] for key in keys], dtype=np.int64)

    @property
    def unit_word(self) -> str:
        """What the independent units are called: `scribe` or `scroll`."""
        return "scribe" if np.any(self.scribe_of != "") else "scroll"

    def letters(self, defect: int) -> LetterSample:
        """The letters that can have the defect, units still numbered over the whole survey."""
        return LetterSample(
            self.unit_of[self.scroll],
            self.predicted[defect],
            self.label[defect],
            self.inclusion_probability[defect],
        ).select(~np.isnan(self.predicted[defect]))


@dataclass(frozen=True)
class SurveyData:
    """A survey as `compare_sources` takes it, with what a report states beside the numbers."""

    arrays: SurveyArrays
    """Sources are codes; letters are in the order of `page` and `glyph`."""
    page: NDArray[np.str_]
    """Page of each letter, by its coded name, (letters,): a key of `open_run(folder).pages`."""
    glyph: Ints
    """Number of each letter on its page, from 1, (letters,)."""
    codes: Mapping[str, str]
    """Source to code."""
    scrolls: tuple[ScrollCounts, ...]
    audit: AuditCounts
    versions: Mapping[str, tuple[str, ...]]
    """`package`, `model`, `thresholds`, `customs`: every one that the pages were made with."""
    notes: tuple[str, ...]
    """Plain sentences: pages that failed, mixed versions."""
    questions: AuditArrays | None = None
    """What was drawn and answered; None without an audit."""
    answers: tuple[ReaderAnswer, ...] = ()
    agreement: tuple[ReaderAgreement, ...] = ()
    """Of every two readers."""
    design: SurveyDesign | None = None
    """What was declared beforehand, its sources as codes."""
    history: tuple[DesignChange, ...] = ()
    """What was changed of it."""
    conditions: tuple[PageConditions, ...] = ()
    """How each page was made and judged."""
    designs_differ: bool = False
    """Whether merged surveys were declared by unlike designs, or some without any."""


def build_arrays(
    defects: Sequence[str],
    scroll: ArrayLike,
    source: ArrayLike,
    predicted: ArrayLike,
    label: ArrayLike | None = None,
    inclusion_probability: ArrayLike | float = 1.0,
    found: ArrayLike | None = None,
    side: ArrayLike | None = None,
    letter: ArrayLike | None = None,
    scribe: ArrayLike | None = None,
) -> SurveyArrays:
    """Check and number the letters of a survey.

    `scroll`, `source`, `side`, `letter` and `scribe` are (letters,), the first two names or
    numbers, the last empty where not known;
    `predicted`, `label` and `found` are (defects, letters); `inclusion_probability` is either, or
    one number. Without `found`, a finding is a prediction of 0.5 or more. SurveyTableError names
    what does not fit.
    """
    predictions = np.asarray(predicted, dtype=np.float64)
    shape = predictions.shape
    names, number = np.unique(np.asarray(scroll), return_inverse=True)
    count = len(number)
    _require(
        shape == (len(defects), count), "predicted must have one row per defect, one column "
        "per letter.",
    )  # fmt: skip
    labels = np.full(shape, np.nan) if label is None else np.asarray(label, dtype=np.float64)
    _require(labels.shape == shape, "label must have the shape of predicted.")
    chances = np.asarray(inclusion_probability, dtype=np.float64)
    _require(
        chances.shape in ((), (count,), shape),
        "inclusion_probability must have one entry per letter.",
    )
    chances = np.broadcast_to(chances, shape)
    _require(
        bool(np.all((chances > 0) & (chances <= 1))),
        "every inclusion_probability must be above 0 and at most 1.",
    )
    _require(
        bool(np.all(np.isnan(predictions) | ((predictions >= 0) & (predictions <= 1)))),
        "predicted must lie from 0 to 1.",
    )
    _require(
        bool(np.all(np.isnan(labels) | ((labels >= 0) & (labels <= 1)))),
        "label must lie from 0 to 1, or be missing.",
    )
    findings = predictions >= 0.5 if found is None else np.asarray(found, dtype=np.bool_)
    _require(findings.shape == shape, "found must have the shape of predicted.")
    sides, forms, scribes = (
        np.full(count, "") if given is None else np.asarray(given, dtype=np.str_)
        for given in (side, letter, scribe)
    )
    _require(
        sides.shape == forms.shape == scribes.shape == (count,),
        "side, letter and scribe must have one entry per letter.",
    )
    scribe_of = np.full(len(names), "", dtype=scribes.dtype)
    scribe_of[number] = scribes
    _require(bool(np.all(scribe_of[number] == scribes)), "a scroll has letters of two scribes.")
    sources, source_of = _number_sources(np.asarray(source), number, names)
    return SurveyArrays(
        tuple(defects),
        sources,
        number.astype(np.int64),
        source_of,
        predictions,
        labels,
        chances,
        findings,
        sides,
        forms,
        scribe_of,
    )


def load_survey(folder: Path) -> SurveyData:
    """Read the survey in a folder; FileFault names what is absent or cannot be read."""
    survey, keys = _read_complete(folder)
    run = open_run(folder)
    pages = read_pages(folder, survey, keys)
    key_of = {key.page: key for key in keys}
    labels = read_labels(run, read_audit(folder))
    page = np.repeat([p.page for p in pages], [len(p.glyph) for p in pages])
    numbers = np.concatenate([p.glyph for p in pages])
    questions = _audit_arrays(folder, survey, pages, labels, key_of)
    label, inclusion_probability = weigh_labels(
        questions,
        scroll=np.unique([key_of[name].coded_scroll for name in page], return_inverse=True)[1],
        source=np.unique([key_of[name].code for name in page], return_inverse=True)[1],
    )
    sides = {p.page: _side_of(run, p.page) for p in pages}
    arrays = build_arrays(
        GLYPH_DEFECTS,
        scroll=np.array([key_of[name].coded_scroll for name in page]),
        source=np.array([key_of[name].code for name in page]),
        predicted=np.concatenate([p.predicted for p in pages], axis=1),
        label=label,
        inclusion_probability=inclusion_probability,
        found=np.concatenate([p.found for p in pages], axis=1),
        side=np.array([sides[name] for name in page]),
        letter=np.concatenate([p.letter for p in pages]),
        scribe=np.array([key_of[name].coded_scribe for name in page]),
    )
    return SurveyData(
        arrays, page, numbers, {key.source: key.code for key in keys},
        count_scrolls(pages, key_of, sides), labels.counts, _list_versions(folder, survey, pages),
        (*_describe_failures(survey, key_of), *_list_same_page_notes(run)),
        questions, labels.answers, labels.agreement,
        read_coded_design(folder, survey, keys), survey.history,
        list_conditions(folder, pages, key_of),
    )  # fmt: skip


def read_pages(folder: Path, survey: Survey, keys: Iterable[PageKey]) -> list[PageLetters]:
    """The pages of a survey that were inspected, in the order of their names."""
    names = sorted(key.page for key in keys if key.page in survey.pages)
    return [read_page_letters(folder / name, survey.pages[name]) for name in names]


def _number_sources(
    source: NDArray[np.generic], number: Ints, names: NDArray[np.generic]
) -> tuple[tuple[str, ...], Ints]:
    """Names of the sources, and each scroll's source; a scroll of two sources is an error."""
    _require(source.shape == number.shape, "source must name one source a letter.")
    codes, place = np.unique(source, return_inverse=True)
    source_of = np.zeros(len(names), dtype=np.int64)
    source_of[number] = place
    for wrong in np.flatnonzero(source_of[number] != place)[:1]:
        raise SurveyTableError(f"scroll {names[number[wrong]]} has letters of two sources.")
    return tuple(str(code) for code in codes), source_of


def _require(holds: bool, sentence: str) -> None:
    if not holds:
        raise SurveyTableError(sentence)


def _read_complete(folder: Path) -> tuple[Survey, tuple[PageKey, ...]]:
    """Record and key of a complete survey."""
    if not folder.is_dir():
        raise RunError(folder, "there is no such survey.")
    survey, keys = read_survey(folder), read_keys(folder)
    if survey is None:
        raise RunError(folder, "holds no survey; make one with `crownlet survey run`.")
    if not survey.complete:
        raise RunError(folder, "the survey is not complete; run `crownlet survey run` again.")
    if not keys:
        raise RunError(folder, "sources.csv is absent, which says whose the scrolls are.")
    if not survey.pages:
        raise RunError(folder, "none of its pages could be inspected.")
    if unknown := survey.pages.keys() - {key.page for key in keys}:
        raise RunError(folder, f"sources.csv does not name the page {min(unknown)}.")
    return survey, keys


def _side_of(run: Run, page: str) -> str:
    return REVERSE if page in run.scroll_of(page).reverses else FACE


def _audit_arrays(
    folder: Path,
    survey: Survey,
    pages: Sequence[PageLetters],
    labels: AuditLabels,
    key_of: Mapping[str, PageKey],
) -> AuditArrays:
    """What was drawn and answered; letters in the order of the pages.

    The chances of letters that were not drawn are computed as those of the draw were; RunError
    where audit.csv has other chances, or letters that are not there.
    """
    starts = np.cumsum([0, *(len(page.glyph) for page in pages)])
    start_of = {page.page: int(start) for page, start in zip(pages, starts[:-1], strict=True)}
    shape = (len(GLYPH_DEFECTS), int(starts[-1]))
    chance = np.full(shape, np.nan)
    scrolls: dict[str, list[PageLetters]] = {}
    for page in pages:
        scrolls.setdefault(key_of[page.page].coded_scroll, []).append(page)
    row_of = {defect: row for row, defect in enumerate(GLYPH_DEFECTS)}
    for drawable in list_chances(scrolls, survey.defects, survey.audit, survey.draw):
        columns = np.concatenate(
            [
                start_of[page.page] + examined
                for page, examined in zip(drawable.pages, drawable.examined, strict=True)
            ]
        )
        chance[row_of[drawable.defect], columns] = drawable.chance
    drawn, cannot_tell = np.zeros(shape, dtype=np.bool_), np.zeros(shape, dtype=np.bool_)
    label = np.full(shape, np.nan)
    letters_of = {page.page: len(page.glyph) for page in pages}
    for one in read_audit(folder):
        fits = one.defect in row_of and 1 <= one.glyph <= letters_of.get(one.page, 0)
        place = (row_of[one.defect], start_of[one.page] + one.glyph - 1) if fits else (0, 0)
        if not fits or not np.isclose(chance[place], one.inclusion_probability, rtol=1e-9, atol=0):
            raise RunError(
                folder / AUDIT_FILE, "does not fit the survey; run `crownlet survey run` again."
            )
        drawn[place] = True
        label[place] = labels.values.get((one.page, one.glyph, one.defect), np.nan)
        cannot_tell[place] = (one.page, one.glyph, one.defect) in labels.cannot_tell
    return AuditArrays(drawn, chance, label, cannot_tell)


def _list_versions(
    folder: Path, survey: Survey, pages: Sequence[PageLetters]
) -> dict[str, tuple[str, ...]]:
    """Every version that the pages name, beside that of the package; RunError for a damaged
    record."""
    found: dict[str, set[str]] = {"model": set(), "thresholds": set(), "customs": set()}
    for page in pages:
        with name_record(folder, page.page):
            for name, one in page.facts.get("versions", {}).items():
                if name in found:
                    label = f"{one['name']} " if "name" in one else ""
                    found[name].add(f"{label}{one.get('version', '')}".strip())
    package = str(survey.versions.get("package", ""))
    return {"package": (package,)} | {name: tuple(sorted(seen)) for name, seen in found.items()}


def _describe_failures(survey: Survey, key_of: Mapping[str, PageKey]) -> tuple[str, ...]:
    """Pages that could not be inspected, and scrolls that no page is left of."""
    failed = {page: key_of[page] for page in sorted(survey.failed) if page in key_of}
    lines = [
        f"{page} of source {key.code} was not inspected: {survey.failed[page]}"
        for page, key in failed.items()
    ]
    inspected = {key_of[page].coded_scroll for page in survey.pages}
    lost = {key.coded_scroll: key.code for key in failed.values()}
    lines += [
        f"{scroll} of source {code} is not counted: none of its pages was inspected."
        for scroll, code in lost.items()
        if scroll not in inspected
    ]
    return tuple(lines)


def _list_same_page_notes(run: Run) -> list[str]:
    """Notes on pictures that may show the same page, each once."""
    notes = (note for scroll in run.scrolls for note in scroll.notes)
    return list(dict.fromkeys(note for note in notes if SAME_PAGE in note))

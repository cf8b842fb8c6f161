"""Two or more surveys as one: their letters together, sources and scrolls under new codes.

A merged survey is a folder that names its members and holds a key of its own; the members stay as
they are, and answers given in them later count. Sources, scribes and scrolls are the same where
their names are.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from crownlet.datasets.files.atomic import atomic_write, write_json
from crownlet.datasets.files.errors import FileFault
from crownlet.infer.run.run import StoredPage, open_run
from crownlet.infer.run.survey_state import DEFAULT_SURVEY_SEED, SURVEY_FILE
from crownlet.infer.run.tables import RunError, read_json
from crownlet.infer.survey.conditions import PageConditions
from crownlet.infer.survey.data import SurveyData, build_arrays, load_survey
from crownlet.infer.survey.design import SurveyDesign
from crownlet.infer.survey.labels import AuditCounts, ReaderAgreement, ReaderAnswer
from crownlet.infer.survey.manifest import Manifest, ManifestRow
from crownlet.infer.survey.pseudonyms import PageKey, assign_codes, read_keys, write_keys
from crownlet.infer.survey.response import AuditArrays, weigh_labels
from crownlet.infer.survey.scroll_counts import ScrollCounts

MERGED_FILE = "merged.json"

MERGED_SCHEMA = 1


class MergeError(FileFault):
    """Surveys that cannot be merged: `path` names the folder, `reason` says why not."""


@dataclass(frozen=True)
class Member:
    """One survey among those merged."""

    folder: Path
    survey: SurveyData
    keys: tuple[PageKey, ...]


def write_merged(folder: Path, members: Sequence[Path]) -> SurveyData:
    """Make a folder that merges finished surveys; FileFault with the reason if it cannot be.

    OSError if the folder cannot be written.
    """
    if (folder / SURVEY_FILE).exists() or (folder.exists() and not folder.is_dir()):
        raise MergeError(folder, "is a survey or a file; a merged survey needs its own folder.")
    if len({member.resolve() for member in members}) < 2:
        raise MergeError(folder, "merging needs two surveys at least, each named once.")
    found = [_read_member(member) for member in members]
    keys = _merge_keys(found, folder)
    survey = _merge(found, keys)
    folder.mkdir(parents=True, exist_ok=True)
    paths = [os.path.relpath(member.resolve(), folder.resolve()) for member in members]
    with atomic_write(folder / MERGED_FILE) as draft:
        write_json(draft, {"schema": MERGED_SCHEMA, "members": paths})
    write_keys(folder, [key for member_keys in keys for key in member_keys])
    return survey


def gather_survey(folder: Path) -> SurveyData:
    """The survey of a folder, merged or not; FileFault names what is absent or cannot be read."""
    if not is_merged(folder):
        return load_survey(folder)
    members = _read_members(folder)
    return _merge(members, _merge_keys(members, folder))


def open_pages(folder: Path) -> dict[str, StoredPage]:
    """The pages of a survey by the names that they have in it; of a merged one those of its
    members. FileFault as for `gather_survey`."""
    if not is_merged(folder):
        return dict(open_run(folder).pages)
    members = _read_members(folder)
    pages: dict[str, StoredPage] = {}
    for member, keys in zip(members, _merge_keys(members, folder), strict=True):
        own = open_run(member.folder).pages
        known = zip(member.keys, keys, strict=True)
        pages |= {new.page: own[old.page] for old, new in known if old.page in own}
    return pages


def is_merged(folder: Path) -> bool:
    """Whether a folder holds a merged survey, which has no pages of its own."""
    return (folder / MERGED_FILE).is_file()


def _read_members(folder: Path) -> list[Member]:
    path = folder / MERGED_FILE
    data = read_json(path)
    if data.get("schema") != MERGED_SCHEMA or not isinstance(data.get("members"), list):
        raise RunError(path, "was not written by this version of the program.")
    return [_read_member(folder / str(member)) for member in data["members"]]


def _read_member(folder: Path) -> Member:
    survey = load_survey(folder)
    own = set(np.unique(survey.page).tolist())
    keys = tuple(key for key in read_keys(folder) if key.page in own)
    return Member(folder, survey, keys)


def _merge_keys(members: Sequence[Member], folder: Path) -> list[tuple[PageKey, ...]]:
    """New keys of each member's pages, in their order; codes that the folder knows stay.

    MergeError where a picture, or a side of a scroll, stands in two members, and where they name
    two sources for one scroll.
    """
    places: dict[tuple[str, ...], Path] = {}
    source_of: dict[str, str] = {}
    for member in members:
        own: set[tuple[str, ...]] = set()
        for key in member.keys:
            scroll, source = key.scroll.casefold(), key.source.casefold()
            if source_of.setdefault(scroll, source) != source:
                raise MergeError(member.folder, f"{key.scroll!r} has another source elsewhere.")
            own |= {("picture", key.sha256), ("side", scroll, key.side)}
            for place in own & places.keys():
                what = "the picture of" if place[0] == "picture" else f"the {key.side} of"
                raise MergeError(
                    member.folder, f"{what} {key.scroll!r} stands in {places[place]} already."
                )
        places |= dict.fromkeys(own, member.folder)
    rows = tuple(
        ManifestRow(
            key.line, Path(key.scan), key.scroll, key.source,
            "reverse" if key.side == "reverse" else "face", "", "", key.sha256, key.scribe,
            key.workshop, key.covariates,
        )
        for member in members for key in member.keys
    )  # fmt: skip
    coded = iter(assign_codes(Manifest(folder, "", rows), DEFAULT_SURVEY_SEED, read_keys(folder)))
    return [tuple(next(coded) for _ in member.keys) for member in members]


def _merge(members: Sequence[Member], keys: Sequence[tuple[PageKey, ...]]) -> SurveyData:
    """The letters of all members under the new codes."""
    new_of = [
        {old.page: new for old, new in zip(member.keys, own, strict=True)}
        for member, own in zip(members, keys, strict=True)
    ]
    key_of = [
        new[page]
        for member, new in zip(members, new_of, strict=True)
        for page in member.survey.page.tolist()
    ]
    scroll = np.array([key.coded_scroll for key in key_of])
    source = np.array([key.code for key in key_of])
    questions = _merge_questions([member.survey for member in members])
    label, probability = weigh_labels(
        questions,
        scroll=np.unique(scroll, return_inverse=True)[1],
        source=np.unique(source, return_inverse=True)[1],
    )
    arrays = [member.survey.arrays for member in members]
    merged = build_arrays(
        arrays[0].defects, scroll, source,
        np.concatenate([one.predicted for one in arrays], axis=1), label, probability,
        np.concatenate([one.found for one in arrays], axis=1),
        np.concatenate([one.side for one in arrays]),
        np.concatenate([one.letter for one in arrays]),
        scribe=np.array([key.coded_scribe for key in key_of]),
    )  # fmt: skip
    surveys = [member.survey for member in members]
    designs = {named.sha256 if named else "": named for named in map(_name_design, surveys)}
    shared = next(iter(designs.values())) if len(designs) == 1 else None
    codes = {key.source: key.code for own in keys for key in own}
    return SurveyData(
        merged, np.array([key.page for key in key_of]),
        np.concatenate([survey.glyph for survey in surveys]), codes,
        _merge_scrolls(members, new_of),
        AuditCounts(*(sum(getattr(survey.audit, name) for survey in surveys)
                      for name in ("drawn", "decided", "cannot_tell"))),
        _merge_versions(surveys), tuple(_list_notes(members, len(designs) > 1)), questions,
        *_merge_readers(surveys, new_of),
        design=shared and shared.rename_sources(codes),
        history=tuple(change for survey in surveys for change in survey.history),
        conditions=_merge_conditions(members, new_of), designs_differ=len(designs) > 1,
    )  # fmt: skip


def _merge_conditions(
    members: Sequence[Member], new_of: Sequence[dict[str, PageKey]]
) -> tuple[PageConditions, ...]:
    """How the pages of every member were made and judged, by the new codes of their sources."""
    found: list[PageConditions] = []
    for member, new in zip(members, new_of, strict=True):
        code_of = {old.code: new[old.page].code for old in member.keys if old.page in new}
        found += [replace(one, source=code_of[one.source]) for one in member.survey.conditions]
    return tuple(found)


def _merge_questions(surveys: Sequence[SurveyData]) -> AuditArrays:
    """Every member has the arrays of an audit, if only empty ones."""
    held = [survey.questions for survey in surveys if survey.questions is not None]
    drawn, chance, label, unsure = (
        np.concatenate([getattr(one, name) for one in held], axis=1)
        for name in ("drawn", "chance", "label", "cannot_tell")
    )
    return AuditArrays(drawn, chance, label, unsure)


def _name_design(survey: SurveyData) -> SurveyDesign | None:
    names = {code: name for name, code in survey.codes.items()}
    return survey.design.rename_sources(names) if survey.design else None


def _merge_scrolls(
    members: Sequence[Member], new_of: Sequence[dict[str, PageKey]]
) -> tuple[ScrollCounts, ...]:
    found: dict[str, ScrollCounts] = {}
    for member, new in zip(members, new_of, strict=True):
        key_of = {old.coded_scroll: new[old.page] for old in member.keys}
        for one in member.survey.scrolls:
            key = key_of[one.name]
            known = found.get(key.coded_scroll)
            coded = replace(
                one, name=key.coded_scroll, code=key.code, scribe=key.coded_scribe,
                workshop=key.coded_workshop, covariates=key.covariates,
            )  # fmt: skip
            found[key.coded_scroll] = coded if known is None else _add_counts(known, coded)
    return tuple(found[name] for name in sorted(found))


def _add_counts(one: ScrollCounts, other: ScrollCounts) -> ScrollCounts:
    counted = ("faces", "reverses", "letters", "findings")
    sums = {name: getattr(one, name) + getattr(other, name) for name in counted}
    return replace(one, **sums)


def _merge_versions(surveys: Sequence[SurveyData]) -> dict[str, tuple[str, ...]]:
    names = dict.fromkeys(name for survey in surveys for name in survey.versions)
    return {
        name: tuple(sorted({one for survey in surveys for one in survey.versions.get(name, ())}))
        for name in names
    }


def _merge_readers(
    surveys: Sequence[SurveyData], new_of: Sequence[dict[str, PageKey]]
) -> tuple[tuple[ReaderAnswer, ...], tuple[ReaderAgreement, ...]]:
    """Answers and agreement; readers of different members count as different readers."""
    answers: list[ReaderAnswer] = []
    agreement: list[ReaderAgreement] = []
    before = 0
    for survey, new in zip(surveys, new_of, strict=True):
        answers += [
            replace(one, page=new[one.page].page, reader=one.reader + before)
            for one in survey.answers
        ]
        agreement += [
            replace(one, first=one.first + before, second=one.second + before)
            for one in survey.agreement
        ]
        before = max((one.reader for one in answers), default=before)
    return tuple(answers), tuple(agreement)


def _list_notes(members: Sequence[Member], designs_differ: bool) -> Iterator[str]:
    yield f"{len(members)} surveys are merged here; their readers are counted as different ones."
    if designs_differ:
        yield "The surveys do not share one design, so that every comparison is exploratory."
    for number, member in enumerate(members, start=1):
        for note in member.survey.notes:
            yield f"Survey {number}, by its own codes: {note}"

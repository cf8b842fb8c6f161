"""A survey run: every page of the manifest inspected into its folder, then the audit drawn.

A stopped survey resumes where it was: pages that are finished, made from the same picture with the
same networks, customs and text, are kept.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from crownlet.datasets.files.atomic import remove_abandoned_drafts
from crownlet.datasets.files.errors import FileFault, plain
from crownlet.datasets.scribal.catalogue import GLYPH_DEFECTS
from crownlet.infer.batch.worker import PageJob, PageOutcome, PageWorker
from crownlet.infer.inspector import Inspector
from crownlet.infer.networks import Networks, OnnxNetworks
from crownlet.infer.review.survey_questions import write_audit
from crownlet.infer.run.survey_state import (
    DEFAULT_LETTERS_AUDITED,
    DEFAULT_SURVEY_SEED,
    DesignChange,
    Survey,
    read_survey,
    write_survey,
)
from crownlet.infer.scrolls.gather import update_scrolls
from crownlet.infer.scrolls.members import PagePlace
from crownlet.infer.survey.audit import draw_audit
from crownlet.infer.survey.design import (
    DESIGN_FILE,
    SurveyDesign,
    add_changes,
    list_changes,
    read_coded_design,
    today,
    write_design,
)
from crownlet.infer.survey.manifest import Manifest, ManifestRow
from crownlet.infer.survey.merging import is_merged
from crownlet.infer.survey.page_letters import PageLetters, read_page_letters
from crownlet.infer.survey.pseudonyms import PageKey, assign_codes, read_keys, write_keys
from crownlet.infer.text.search import read_text_choice


class SurveyError(FileFault):
    """A survey that cannot be begun or resumed: `path` names its folder, `reason` why not."""


@dataclass(frozen=True)
class SurveyRequest:
    """What the user asks for; None keeps the survey's value, or the default in a new one."""

    seed: int | None = None
    audit: float | None = None
    """As `Survey.audit`."""
    defects: tuple[str, ...] | None = None
    design: SurveyDesign | None = None
    """What was declared; its settings hold where the others here are None."""
    portion: str = "auto"
    """Where the manifest names none."""
    customs: str = "unspecified"
    model: str | None = None
    """Folder of other networks than the shipped ones."""


@dataclass
class SurveyRun:
    """A survey under way."""

    manifest: Manifest
    folder: Path
    survey: Survey
    design: SurveyDesign | None
    keys: tuple[PageKey, ...]
    workers: Mapping[tuple[str, str], PageWorker]
    """By portion and customs."""
    inspected_again: list[str] = field(default_factory=list)
    """Pages that were there and had to be inspected again."""
    failed: dict[str, str] = field(default_factory=dict)

    def pages(self) -> Iterator[PageOutcome]:
        """Inspect page after page; OSError if the folder cannot be written."""
        write_survey(self.folder, self.survey)
        write_keys(self.folder, self.keys)
        if self.design is not None:
            code_of = {key.source: key.code for key in self.keys}
            coded = self.design.rename_sources(code_of)
            write_design(self.folder / DESIGN_FILE, coded, self.design.sha256)
        remove_abandoned_drafts(self.folder)
        for row, key in zip(self.manifest.rows, self.keys, strict=True):
            yield self._page(row, key)

    def _page(self, row: ManifestRow, key: PageKey) -> PageOutcome:
        before = (self.folder / key.page / "page.json").is_file()
        place = PagePlace(key.page, key.coded_scroll, row.side)
        outcome = self.workers[row.portion, row.customs].inspect_one(PageJob(row.scan, place))
        if outcome.fault:
            # Without the path, which may name the source.
            self.failed[key.page] = outcome.fault.removeprefix(f"{plain(row.scan)}: ")
        elif before and not outcome.kept:
            self.inspected_again.append(key.page)
        return outcome

    def finish(self) -> int:
        """List the scrolls, draw the audit and record it; returns the number of questions drawn.

        FileFault where a page cannot be read back, OSError where the folder cannot be written.
        """
        inspected = {key.page: key.sha256 for key in self.keys if key.page not in self.failed}
        scrolls: dict[str, list[PageLetters]] = {}
        for key in self.keys:
            if key.page in inspected:
                page = read_page_letters(self.folder / key.page, key.sha256)
                scrolls.setdefault(key.coded_scroll, []).append(page)
        if inspected:
            update_scrolls(self.folder)
        survey = self.survey
        drawn = draw_audit(scrolls, survey.defects, survey.audit, survey.seed, survey.draw)
        write_audit(self.folder, drawn)
        done = replace(survey, complete=True, pages=inspected, failed=dict(self.failed))
        write_survey(self.folder, done)
        return len(drawn)

    def count_questions(self) -> int:
        """About how many questions the audit will ask, computed before any page is looked at.

        For a share of the letters it cannot be known before: 0 then.
        """
        scrolls = len({key.coded_scroll for key in self.keys})
        size = self.survey.audit if self.survey.audit >= 1 else 0
        return round(scrolls * len(self.survey.defects) * size)

    def list_unlisted_pages(self) -> list[str]:
        """Pages in the folder that the manifest does not name."""
        named = {key.page for key in self.keys}
        found = (path.parent.name for path in self.folder.glob("*/page.json"))
        return sorted(page for page in found if page not in named)


def prepare_survey(
    manifest: Manifest, folder: Path, request: SurveyRequest, networks: Networks | None = None
) -> SurveyRun:
    """Check everything that can be refused before the first page is inspected.

    SurveyError, RunError, ModelError or ValueError with the reason.
    """
    if is_merged(folder):
        raise SurveyError(folder, "is a merged survey; scans need a survey in a folder of its own.")
    design = find_design(folder, request.design)
    if design is not None:
        _check_sources(design, manifest, folder)
    survey = _begin_or_resume(manifest, folder, request, design)
    networks = networks or OnnxNetworks(request.model)
    workers = {
        (row.portion, row.customs): PageWorker(
            Inspector(request.model, row.customs, networks=networks),
            read_text_choice(row.portion),
            folder,
        )
        for row in {(row.portion, row.customs): row for row in manifest.rows}.values()
    }
    made_with = next(iter(workers.values())).inspector.versions()
    survey = replace(survey, versions=_list_versions(made_with))
    keys = assign_codes(manifest, survey.seed, read_keys(folder))
    return SurveyRun(manifest, folder, survey, design, keys, workers)


def find_design(folder: Path, given: SurveyDesign | None) -> SurveyDesign | None:
    """The design of the survey in the folder, with the names of sources, else the one given.

    SurveyError where both are there and differ.
    """
    survey, keys = read_survey(folder), read_keys(folder)
    if survey is None or not survey.design:
        return given
    coded = read_coded_design(folder, survey, keys)
    declared = coded and coded.rename_sources({key.code: key.source for key in keys})
    if given not in (None, declared):
        raise SurveyError(folder, "was begun with another design, which stays.")
    return declared


def _check_sources(design: SurveyDesign, manifest: Manifest, folder: Path) -> None:
    named = {source for pair in design.comparisons for source in pair}
    if unknown := sorted(named - manifest.sources.keys()):
        raise SurveyError(folder, f"the design compares {unknown[0]!r}, which is no source here.")


def _begin_or_resume(
    manifest: Manifest, folder: Path, request: SurveyRequest, design: SurveyDesign | None
) -> Survey:
    """The record of a new survey, or of the one in the folder with what the request changes."""
    if folder.exists() and not folder.is_dir():
        raise SurveyError(folder, "is a file; --out needs a folder.")
    earlier = read_survey(folder)
    begun = earlier is not None
    if earlier is None:
        if next(folder.glob("*/page.json"), None) is not None:
            raise SurveyError(folder, "holds pages of another run; a survey needs its own folder.")
        earlier = _begin(manifest, design)
        if request.seed is not None:
            earlier = replace(earlier, seed=request.seed)
    if request.seed not in (None, earlier.seed):
        raise SurveyError(folder, f"was begun with the seed {earlier.seed}, which stays.")
    survey = Survey(
        manifest.sha256,
        earlier.seed,
        earlier.audit if request.audit is None else request.audit,
        earlier.defects if request.defects is None else request.defects,
        draw=earlier.draw,
        design=design.sha256 if design else "",
        history=earlier.history,
    )
    if design is None:
        return survey
    changes = list_changes(design, survey, request.portion, request.customs, today())
    if begun and not earlier.design:
        late = DesignChange(today(), "design", "", "given after the survey was begun")
        changes = (late, *changes)
    return replace(survey, history=add_changes(survey.history, changes))


def _begin(manifest: Manifest, design: SurveyDesign | None) -> Survey:
    if design is None:
        return Survey(
            manifest.sha256, DEFAULT_SURVEY_SEED, DEFAULT_LETTERS_AUDITED, GLYPH_DEFECTS,
            draw="doubt",
        )  # fmt: skip
    return Survey(manifest.sha256, design.seed, design.audit, design.defects, draw=design.draw)


def _list_versions(made_with: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    named = {name: made_with[name]["version"] for name in ("model", "thresholds")}
    return {"package": made_with["program"]["version"], **named}

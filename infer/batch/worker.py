"""One page after another: inspected, written, counted, with the remaining time estimated."""

from __future__ import annotations

import hashlib
import json
import math
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from crownlet.datasets.files.documents import parse_json
from crownlet.datasets.files.errors import plain
from crownlet.datasets.files.images import PageError
from crownlet.infer.batch.inputs import checksum_if_there
from crownlet.infer.findings.collect import collect_findings
from crownlet.infer.findings.finding import Finding
from crownlet.infer.inspector import record_side
from crownlet.infer.run.write import PAGE_FILES, RECORD_SCHEMA, write_page
from crownlet.infer.scrolls.sketch import top_notes
from crownlet.infer.text.search import AUTO, NOT_COMPARED
from crownlet.infer.text.side import portion_for
from crownlet.infer.view.console import print_error

if TYPE_CHECKING:
    from crownlet.infer.hand.adapt import LabelledLetters
    from crownlet.infer.inspector import Inspector, LoadedPage
    from crownlet.infer.records import PageRecord
    from crownlet.infer.scrolls.members import PagePlace
    from crownlet.infer.text.search import TextChoice
    from crownlet.infer.text.side import Side


def inspection_request(portion: TextChoice, side: Side | None) -> dict[str, str]:
    """Text and side of an inspection, as the page's record keeps them."""
    request = {"side": side or ""}
    if portion is None or portion == AUTO:
        return request | {"portion": portion or NOT_COMPARED}
    parts = (
        portion.words, portion.lines, sorted(portion.name_words), sorted(portion.opens),
        sorted(portion.large_letters), sorted(portion.variant_words), portion.excerpt,
    )  # fmt: skip
    digest = hashlib.sha256(json.dumps(parts).encode()).hexdigest()
    return request | {"portion": portion.name, "sha256": digest}


def is_up_to_date(
    folder: Path,
    picture: Path,
    versions: Mapping[str, Mapping[str, Any]],
    question: Mapping[str, str],
) -> bool:
    """Whether a page's folder holds what inspecting the picture now would write."""
    try:
        facts = parse_json((folder / "page.json").read_bytes())
        image = facts["image"]
        same = (
            facts["schema"] == RECORD_SCHEMA
            and facts["page"] == folder.name
            and facts["asked"] == question
            and facts["versions"] == json.loads(json.dumps(versions))
            and Path(image["path"]).absolute() == picture.absolute()
            and all((folder / name).is_file() for name in PAGE_FILES)
        )
        return bool(same and image["sha256"] == checksum_if_there(picture))
    except (OSError, ValueError, KeyError, TypeError):
        return False


Made = TypeVar("Made")

MIN_PAGES_FOR_ESTIMATE = 3
"""Pages after which the remaining time is estimated."""


@dataclass(frozen=True)
class PageJob:
    """One picture and the place of its page."""

    path: Path
    place: PagePlace


@dataclass(frozen=True)
class PageGroup:
    """Pages of one scroll that learn the hand from each other, inspected by one process."""

    pages: tuple[PageJob, ...]

    def split(self) -> tuple[PageGroup, ...]:
        """The same pages, each in a group of its own."""
        return tuple(PageGroup((page,)) for page in self.pages)


MAX_PAGES_OF_GROUP = 4
"""A few thousand letters are enough to know a hand, and a process holds all pages of a group."""


def group_pages(tasks: Sequence[PageJob], *, pooled: bool) -> list[PageGroup]:
    """Groups of the pages of each scroll, in the order of their first pages; unless `pooled`, each
    page is a group of its own. A group depends on the pages, not on their order."""
    scrolls: dict[object, list[PageJob]] = {}
    for task in tasks:
        key = task.place.scroll.casefold() if pooled else task
        scrolls.setdefault(key, []).append(task)
    return [group for pages in scrolls.values() for group in _even_groups(pages)]


def _even_groups(scroll: list[PageJob]) -> Iterator[PageGroup]:
    pages = sorted(scroll, key=lambda task: task.place.page)
    size = math.ceil(len(pages) / math.ceil(len(pages) / MAX_PAGES_OF_GROUP))
    for start in range(0, len(pages), size):
        yield PageGroup(tuple(pages[start : start + size]))


@dataclass(frozen=True)
class PageOutcome:
    """The outcome of a job: counts in words, or the sentence on the fault."""

    task: PageJob
    tally: str = ""
    notes: tuple[str, ...] = ()
    fault: str = ""
    kept: bool = False
    seconds: float = 0.0


@dataclass(frozen=True)
class PageWorker:
    """Inspects pages and writes them to `out`; with `inspect_again` also those already there."""

    inspector: Inspector
    portion: TextChoice
    out: Path
    inspect_again: bool = False

    def inspect_one(self, task: PageJob) -> PageOutcome:
        """Inspect and write one page, unless its record is there already; never raises."""
        return next(iter(self.inspect_group(PageGroup((task,)))))

    def inspect_group(self, group: PageGroup) -> Iterator[PageOutcome]:
        """Inspect and write the pages of a group, each by the hand that all of them show.

        Pages whose records are there already are kept; never raises.
        """
        pooled = _group_checksum(group)
        requests = {task: self._request(task, pooled) for task in group.pages}
        kept = {
            task
            for task in group.pages
            if not self.inspect_again
            and is_up_to_date(
                self.out / task.place.page, task.path, self.inspector.versions(), requests[task]
            )
        }
        if len(kept) == len(group.pages):
            yield from (PageOutcome(task, kept=True) for task in group.pages)
            return
        faults: dict[PageJob, PageOutcome] = {}
        load = partial(self._load, pooled=len(group.pages) > 1)
        loaded = self._each(group.pages, load, faults)
        records = self._each(loaded, partial(self._record, loaded), faults)
        for task in group.pages:
            if task in kept:
                yield PageOutcome(task, kept=True)
            elif task in faults:
                yield faults[task]
            else:
                yield self._guarded(task, partial(self._write, task, records, requests[task]))

    def _each(
        self,
        tasks: Iterable[PageJob],
        step: Callable[[PageJob], Made],
        faults: dict[PageJob, PageOutcome],
    ) -> dict[PageJob, Made]:
        """The result of a step for each page that has one; others are added to `faults`."""
        made: dict[PageJob, Made] = {}
        for task in tasks:
            result = self._guarded(task, partial(step, task))
            if isinstance(result, PageOutcome):
                faults[task] = result
            else:
                made[task] = result
        return made

    def _request(self, task: PageJob, pooled: str) -> dict[str, str]:
        """What a page's record depends on beside its picture and the versions."""
        request = inspection_request(self.portion, task.place.side)
        if not self.inspector.hand:
            request["hand"] = "off"
        if self.inspector.measure != "doubts":
            request["measure"] = self.inspector.measure
        if pooled:
            request["pages_of_hand"] = pooled
        return request

    def _load(self, task: PageJob, *, pooled: bool) -> _LabelledPage:
        """A page read by the networks, and what it shows the other pages of its group."""
        start = time.perf_counter()
        page = self.inspector.load(task.path)
        text = portion_for(task.place.side, self.portion)
        letters = self.inspector.label(page, text) if pooled else None
        return _LabelledPage(page, letters, time.perf_counter() - start)

    def _record(self, loaded: Mapping[PageJob, _LabelledPage], task: PageJob) -> _RecordedPage:
        """The record of a page by the hand that all `loaded` pages show, letter by letter."""
        start = time.perf_counter()
        page = loaded[task]
        others = [other.letters for key, other in loaded.items() if key is not task]
        known = [letters for letters in others if letters is not None]
        name, side = task.place.page, task.place.side
        record = record_side(self.inspector, page.loaded, side, self.portion, name, known)
        return _RecordedPage(record, page.seconds + time.perf_counter() - start)

    def _write(
        self, task: PageJob, records: Mapping[PageJob, _RecordedPage], request: dict[str, str]
    ) -> PageOutcome:
        """A page's record, its letters judged against those of all pages, written."""
        start = time.perf_counter()
        page = records[task]
        others = [other.record for key, other in records.items() if key is not task]
        record = replace(self.inspector.judge_hand(page.record, others), asked=request)
        findings = collect_findings(record, self.inspector.customs)
        write_page(record, self.out, findings)
        seconds = page.seconds + time.perf_counter() - start
        return PageOutcome(
            task, describe_counts(record, findings), tuple(top_notes(record)), seconds=seconds
        )

    def _guarded(self, task: PageJob, step: Callable[[], Made]) -> Made | PageOutcome:
        """The result of a step on a page, or the outcome that names its fault."""
        try:
            return step()
        except PageError as error:
            return PageOutcome(task, fault=str(error))
        except MemoryError:
            return PageOutcome(
                task, fault=f"{plain(task.path)}: there is not enough memory for it."
            )
        except OSError as error:
            why = error.strerror or error
            fault = f"{plain(task.path)}: its record cannot be written to {self.out} ({why})."
            return PageOutcome(task, fault=fault)
        except Exception as error:
            # A fault of this program on one page must not end the others.
            cause = " ".join(f"{type(error).__name__}: {error}".split())[:160]
            fault = (
                f"{plain(task.path)}: could not be inspected, a fault of this program ({cause})."
            )
            return PageOutcome(task, fault=fault)


@dataclass(frozen=True)
class _LabelledPage:
    """A page of a group as loaded, with the letters that it shows the others, and the seconds."""

    loaded: LoadedPage
    letters: LabelledLetters | None
    seconds: float


@dataclass(frozen=True)
class _RecordedPage:
    """The record of a page of a group, its letters not yet compared, and the seconds."""

    record: PageRecord
    seconds: float


def _group_checksum(group: PageGroup) -> str:
    """A checksum of the pictures and sides of a group, "" for a single page: the record of each
    depends on all of them."""
    if len(group.pages) == 1:
        return ""
    parts = [[checksum_if_there(task.path), task.place.side or ""] for task in group.pages]
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()


@dataclass
class BatchProgress:
    """Counts and notes over the pages of one command."""

    out: Path
    pages: int
    written: set[str] = field(default_factory=set)
    """Pages written so far."""
    printed: set[str] = field(default_factory=set)
    """Notes already printed, in the wording of pages and of scrolls."""
    failed: int = 0
    kept: int = 0
    done: int = 0
    start: float = field(default_factory=lambda: time.perf_counter())

    def add(self, outcome: PageOutcome) -> None:
        """Count a page, and print its outcome and notes."""
        self.done += 1
        name = outcome.task.place.page
        if outcome.fault:
            self.failed += 1
            print_error(outcome.fault)
        elif outcome.kept:
            self.kept += 1
        else:
            print(
                f"[{self.done}/{self.pages}] {plain(outcome.task.path)} -> {self.out / name}: "
                f"{outcome.tally}, {outcome.seconds:.1f} s{self._remaining()}",
                flush=True,
            )
            self.written.add(name)
        for note in outcome.notes:
            print(f"    {note}")
            self.printed |= {note, f"{name}: {note}"}

    def _remaining(self) -> str:
        """The remaining time in words; "" when it is short or not yet known."""
        left, inspected = self.pages - self.done, self.done - self.kept
        seconds = (time.perf_counter() - self.start) / inspected * left
        if inspected < MIN_PAGES_FOR_ESTIMATE or seconds < 60:
            return ""
        return f"; about {seconds / 60:.0f} min left"


def describe_counts(record: PageRecord, findings: Sequence[Finding]) -> str:
    """Counts of a page in words, as on its sheet."""
    found = sum(finding.route == "finding" for finding in findings)
    many = f"{found} finding{'' if found == 1 else 's'}"
    return f"{len(record.glyphs)} letters, {many}, {len(findings) - found} to review"

"""One page after another: inspected, written, counted, with the remaining time estimated."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crownlet.datasets.files.errors import plain
from crownlet.datasets.files.images import PageError
from crownlet.infer.batch.inputs import checksum_if_there
from crownlet.infer.findings.collect import collect_findings
from crownlet.infer.findings.finding import Finding
from crownlet.infer.inspector import record_side
from crownlet.infer.run.write import PAGE_FILES, RECORD_SCHEMA, write_page
from crownlet.infer.scrolls.sketch import top_notes
from crownlet.infer.text.search import AUTO, NOT_COMPARED
from crownlet.infer.view.console import print_error

if TYPE_CHECKING:
    from crownlet.infer.inspector import Inspector
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
        facts = json.loads((folder / "page.json").read_bytes())
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


MIN_PAGES_FOR_ESTIMATE = 3
"""Pages after which the remaining time is estimated."""


@dataclass(frozen=True)
class PageJob:
    """One picture and the place of its page."""

    path: Path
    place: PagePlace


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
        start = time.perf_counter()
        try:
            made = self._record(task)
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
        if made is None:
            return PageOutcome(task, kept=True)
        record, findings = made
        seconds = time.perf_counter() - start
        return PageOutcome(
            task, describe_counts(record, findings), tuple(top_notes(record)), seconds=seconds
        )

    def _record(self, task: PageJob) -> tuple[PageRecord, tuple[Finding, ...]] | None:
        name, side = task.place.page, task.place.side
        question, versions = inspection_request(self.portion, side), self.inspector.versions()
        if not self.inspect_again and is_up_to_date(self.out / name, task.path, versions, question):
            return None
        page = self.inspector.load(task.path)
        record = record_side(self.inspector, page, side, self.portion, name)
        record = replace(record, asked=question)
        findings = collect_findings(record, self.inspector.customs)
        write_page(record, self.out, findings)
        return record, findings


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

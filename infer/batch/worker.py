"""Page after page: inspect, write, and say what was done and how long the rest may take."""

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
    """What a page was asked with, as its record keeps it."""
    said = {"side": side or ""}
    if portion is None or portion == AUTO:
        return said | {"portion": portion or NOT_COMPARED}
    parts = (
        portion.words, portion.lines, sorted(portion.name_words), sorted(portion.opens),
        sorted(portion.large_letters), sorted(portion.otherwise), portion.excerpt,
    )  # fmt: skip
    digest = hashlib.sha256(json.dumps(parts).encode()).hexdigest()
    return said | {"portion": portion.name, "sha256": digest}


def is_up_to_date(
    folder: Path,
    picture: Path,
    versions: Mapping[str, Mapping[str, Any]],
    question: Mapping[str, str],
) -> bool:
    """Whether a page's folder holds what inspecting the picture now would write into it."""
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
"""After so many pages it is told how long the rest may take."""


@dataclass(frozen=True)
class PageJob:
    """One picture and where its page belongs."""

    path: Path
    place: PagePlace


@dataclass(frozen=True)
class PageOutcome:
    """What became of a task: counts in words, or why there is no page, in a sentence."""

    task: PageJob
    tally: str = ""
    notes: tuple[str, ...] = ()
    fault: str = ""
    kept: bool = False
    seconds: float = 0.0


@dataclass(frozen=True)
class PageWorker:
    """What inspects pages and where it puts them; `anew` keeps no page that is there."""

    inspector: Inspector
    portion: TextChoice
    out: Path
    anew: bool = False

    def one(self, task: PageJob) -> PageOutcome:
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
            said = f"{plain(task.path)}: its record cannot be written to {self.out} ({why})."
            return PageOutcome(task, fault=said)
        except Exception as error:
            # A page that trips one of our own stages must not take the others with it.
            cause = " ".join(f"{type(error).__name__}: {error}".split())[:160]
            said = f"{plain(task.path)}: could not be inspected, a fault of this program ({cause})."
            return PageOutcome(task, fault=said)
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
        if not self.anew and is_up_to_date(self.out / name, task.path, versions, question):
            return None
        page = self.inspector.load(task.path)
        record = record_side(self.inspector, page, side, self.portion, name)
        record = replace(record, asked=question)
        findings = collect_findings(record, self.inspector.customs)
        write_page(record, self.out, findings)
        return record, findings


@dataclass
class BatchProgress:
    """What has become of the pages of one command."""

    out: Path
    pages: int
    fresh: set[str] = field(default_factory=set)
    """Pages written so far."""
    said: set[str] = field(default_factory=set)
    """Sentences already printed, as pages and as scrolls write them."""
    failed: int = 0
    kept: int = 0
    done: int = 0
    start: float = field(default_factory=lambda: time.perf_counter())

    def note(self, outcome: PageOutcome) -> None:
        """Count a page, and print what there is to say of it."""
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
                f"{outcome.tally}, {outcome.seconds:.1f} s{self._rest()}",
                flush=True,
            )
            self.fresh.add(name)
        for note in outcome.notes:
            print(f"    {note}")
            self.said |= {note, f"{name}: {note}"}

    def _rest(self) -> str:
        """How long the rest may take, in words; nothing when that is soon or not yet known."""
        left, looked_at = self.pages - self.done, self.done - self.kept
        seconds = (time.perf_counter() - self.start) / looked_at * left
        if looked_at < MIN_PAGES_FOR_ESTIMATE or seconds < 60:
            return ""
        return f"; about {seconds / 60:.0f} min left"


def describe_counts(record: PageRecord, findings: Sequence[Finding]) -> str:
    """Counts of a page in words, as its sheet has them."""
    found = sum(finding.route == "finding" for finding in findings)
    many = f"{found} finding{'' if found == 1 else 's'}"
    return f"{len(record.glyphs)} letters, {many}, {len(findings) - found} to review"

"""Page after page: inspect, write, and say what was done and how long the rest may take."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from crownlet.infer.commands import complain
from crownlet.infer.findings import findings_of
from crownlet.infer.reading import PageError
from crownlet.infer.scrolls.sketch import top_notes
from crownlet.infer.sides import record_side
from crownlet.infer.writer import write_page

if TYPE_CHECKING:
    from crownlet.infer.inspector import Inspector
    from crownlet.infer.records import PageRecord
    from crownlet.infer.scrolls.grouping import Place
    from crownlet.infer.wanted import Wanted

TIMED = 3
"""After so many pages it is told how long the rest may take."""


@dataclass
class Work:
    """The pages of one command."""

    inspector: Inspector
    portion: Wanted
    out: Path
    pages: int
    fresh: set[str] = field(default_factory=set)
    """Pages written so far."""
    said: set[str] = field(default_factory=set)
    """Sentences already printed, as pages and as scrolls write them."""
    failed: int = 0
    done: int = 0
    start: float = field(default_factory=lambda: time.perf_counter())

    def one_page(self, path: Path, place: Place) -> None:
        """Inspect and write one page, or say why it cannot be done."""
        start = time.perf_counter()
        self.done += 1
        record = self._record(path, place)
        if record is None:
            self.failed += 1
            return
        seconds = time.perf_counter() - start
        print(
            f"[{self.done}/{self.pages}] {path} -> {self.out / record.name}: {tally(record)}, "
            f"{seconds:.1f} s{self._rest()}",
            flush=True,
        )
        self.fresh.add(record.name)
        for note in top_notes(record):
            print(f"    {note}")
            self.said |= {note, f"{record.name}: {note}"}

    def _record(self, path: Path, place: Place) -> PageRecord | None:
        try:
            look = self.inspector.look(path)
            record = record_side(self.inspector, look, place.side, self.portion, place.page)
            write_page(record, self.out, findings_of(record, self.inspector.customs))
        except PageError as error:
            complain(error)
        except MemoryError:
            complain(f"{path}: there is not enough memory for this page.")
        except OSError as error:
            why = error.strerror or error
            complain(f"{path}: its record cannot be written to {self.out} ({why}).")
        else:
            return record
        return None

    def _rest(self) -> str:
        """How long the rest may take, in words; nothing when that is soon or not yet known."""
        left = self.pages - self.done
        seconds = (time.perf_counter() - self.start) / self.done * left
        if self.done < TIMED or seconds < 60:
            return ""
        return f"; about {seconds / 60:.0f} min left"


def tally(record: PageRecord) -> str:
    """Counts of a page in words."""
    findings, review = len(record.routed("finding")), len(record.routed("review"))
    return f"{len(record.glyphs)} letters, {findings} findings, {review} to review"

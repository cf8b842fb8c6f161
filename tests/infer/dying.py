"""A page worker that ends its process on some pages, as a crash in C would."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from crownlet.infer.batch.worker import PageGroup, PageOutcome


@dataclass(frozen=True)
class DyingWorker:
    """Dies on pictures whose name says so; on `once` only until it has left a mark."""

    portion: None = None
    inspector: Any = field(default_factory=lambda: SimpleNamespace(versions=dict))

    def inspect_group(self, group: PageGroup) -> Iterator[PageOutcome]:
        [task] = group.pages
        mark = task.path.with_suffix(".mark")
        if "always" in task.path.name or ("once" in task.path.name and not mark.exists()):
            mark.write_text("")
            os.kill(os.getpid(), signal.SIGKILL)
        yield PageOutcome(task, tally="read")


@dataclass(frozen=True)
class DyingConfig:
    """In the place of `WorkerConfig`."""

    out: Path

    def make_worker(self) -> Any:
        return DyingWorker()

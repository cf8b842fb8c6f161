"""What a worker of a cluster does: one desk in each process, on the storage that all share."""

from __future__ import annotations

import hashlib
import json
import socket
import threading
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

from crownlet.infer.commands.keeping import asked
from crownlet.infer.commands.spreading import Setting
from crownlet.infer.commands.working import Desk, Outcome, Task
from crownlet.infer.drafts import draft_folder
from crownlet.infer.errors import FileFault, plain
from crownlet.infer.sessions import ModelError

PROGRAMS = ("crownlet", "numpy", "onnxruntime", "opencv-python-headless", "pillow")
"""What the numbers of a record hang on, besides networks, customs and text."""
SHARED = "pictures and RUN must lie at the same paths on every worker"


class ClusterError(FileFault):
    """A cluster that cannot do the work: `path` names the scheduler or the worker's machine."""


@dataclass(frozen=True)
class Job:
    """What a worker needs to set up a desk, and what it must then hold."""

    setting: Setting
    mark: Path
    """A folder that the client has made in RUN."""
    made_with: dict[str, str]


def made_with(desk: Desk) -> dict[str, str]:
    """Versions and checksums that two desks must share for their pages to be the same."""
    facts = {**desk.inspector.versions(), "portion": asked(desk.portion, None)}
    sums = {
        name: hashlib.sha256(json.dumps(fact, sort_keys=True).encode()).hexdigest()
        for name, fact in facts.items()
    }
    return {name: version(name) for name in PROGRAMS} | sums


_DESKS: dict[Path, Desk] = {}
"""By the marks of the commands under way."""
_SETTING_UP = threading.Lock()


def desk_for(job: Job) -> Desk:
    """The desk of this process for a job; ClusterError where there can be none."""
    with _SETTING_UP:
        if job.mark not in _DESKS:
            forget()
            _DESKS[job.mark] = _new_desk(job)
        return _DESKS[job.mark]


def _new_desk(job: Job) -> Desk:
    here = socket.gethostname()
    if not job.mark.is_dir():
        raise ClusterError(here, f"does not see {plain(job.setting.out)}: {SHARED}.")
    try:
        draft_folder(job.setting.out).rmdir()
        desk = job.setting.desk()
    except (ValueError, OSError, ModelError) as error:
        raise ClusterError(here, f"cannot inspect these pages ({error}).") from None
    held = made_with(desk)
    unlike = [name for name, value in job.made_with.items() if held[name] != value]
    if unlike:
        said = f"has another {', another '.join(unlike)} than this machine: pages would differ."
        raise ClusterError(here, said)
    return desk


def ready(job: Job) -> None:
    """See to it that there is a desk for a job; ClusterError as above."""
    desk_for(job)


def one(job: Job, task: Task) -> Outcome:
    """Inspect a page and write it; ClusterError as above."""
    desk = desk_for(job)
    if not task.path.exists():
        said = f"{plain(task.path)}: is not seen from {socket.gethostname()}: {SHARED}."
        return Outcome(task, fault=said)
    return desk.one(task)


def forget() -> None:
    """Let go the desks of commands that have ended, however they did."""
    for mark in list(_DESKS):
        if not mark.exists():
            _DESKS.pop(mark, None)

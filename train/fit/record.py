"""The record of a run: what it was made of, kept beside its weights and in them.

A run has a folder of its own. `record.json` in it holds the resolved configuration, the code, the
data, the seed, and in the end the metrics. A run goes on only by name (`resume=FOLDER`) and only if
configuration and data are those of its record; otherwise TrainingError names what differs.
"""

from __future__ import annotations

import datetime
import hashlib
import json
import os
import subprocess
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import torch
from hydra.core.hydra_config import HydraConfig
from omegaconf import OmegaConf

from crownlet.datasets.files.atomic import atomic_write, file_checksum, write_json
from crownlet.train.fit.errors import TrainingError
from crownlet.train.fit.scans import paths_of, scan_facts

RECORD_FILE = "record.json"

CONFIG_FILE = "config.yaml"
"""The resolved configuration, as Hydra reads it."""

CHECKPOINT_FILE = "last.ckpt"

RECORDED_KEYS = ("model", "data", "trainer", "callbacks", "seed", "start_from", "grow", "prune")
"""Parts of the configuration that make a run what it is."""

FREE_KEYS = ("data.workers", "data.minutes", "trainer.progress", "trainer.until")
"""Settings that may differ when a run goes on: who renders, how long, and what is shown."""

CODE_FOLDERS = ("configs", "datasets", "models", "train")
"""Folders whose Python and YAML decide what is trained."""

ROOT = Path(__file__).resolve().parents[2]

PACKAGES = ("torch", "pytorch-lightning", "hydra-core", "numpy", "opencv-python-headless")

Json = dict[str, Any]


@dataclass(frozen=True)
class Run:
    """A run that may begin or go on: its folder, its record, and the checkpoint to go on from."""

    folder: Path
    record: Json
    checkpoint: Path | None = None

    def write(self) -> None:
        """Write the record and the configuration."""
        with atomic_write(self.folder / RECORD_FILE) as draft:
            write_json(draft, self.record)
        with atomic_write(self.folder / CONFIG_FILE) as draft:
            draft.write_text(OmegaConf.to_yaml(self.record["config"]), encoding="utf-8")

    def end(self, metrics: Mapping[str, float]) -> None:
        """Note that the run has ended, with its metrics."""
        self.record["ended"] = _now()
        self.record["metrics"] = dict(metrics)
        self.write()

    def facts(self) -> Json:
        """What goes into the metadata of the weights: the record, folders by their names only."""
        kept = {key: value for key, value in self.record.items() if key != "metrics"}
        return kept | {"config": _shorten_paths(kept["config"])}


def open_run(config: Any) -> Run:
    """The run that the configuration describes, new or to go on; TrainingError if it cannot be."""
    if config.resume is True:
        raise TrainingError(
            "resume=true names no run: resume=FOLDER goes on with the run in that folder"
        )
    found = describe_run(config)
    if int(os.environ.get("LOCAL_RANK", 0)) or int(os.environ.get("NODE_RANK", 0)):
        # Another process of the same run has opened it, and writes all of its files.
        folder = Path(config.resume or config.out)
        return Run(folder, found, folder / CHECKPOINT_FILE if config.resume else None)
    if config.resume:
        return _reopen_run(Path(config.resume), found)
    folder = Path(config.out)
    if (folder / RECORD_FILE).exists():
        if config.resume is None:
            raise TrainingError(
                f"{folder} holds a run already: resume={folder} goes on with it, another out=FOLDER"
                " begins a new one, resume=false puts the old one aside"
            )
        _put_aside(folder)
    folder.mkdir(parents=True, exist_ok=True)
    return Run(folder, found)


def describe_run(config: Any) -> Json:
    """The record of a run that begins now."""
    start = Path(config.start_from) if config.start_from else None
    if start is not None and not start.is_file():
        raise TrainingError(f"start_from={start}: there is no such file, seen from {Path.cwd()}")
    teacher = teacher_of(config.model)
    return {
        "began": _now(),
        "command": list(HydraConfig.get().overrides.task) if HydraConfig.initialized() else [],
        "config": {key: _plain(config[key]) for key in RECORDED_KEYS},
        "seed": config.seed,
        "parent": file_checksum(start) if start else None,
        "teacher": file_checksum(teacher) if teacher else None,
        "scans": [scan_facts(path) for path in paths_of(config.data.scans)],
        "code": code_version(),
        "packages": {name: _version_of(name) for name in PACKAGES},
        "resumed": [],
    }


def teacher_of(model: Any) -> Path | None:
    """The weights of the teacher that the group `model` names, if any; TrainingError if they are
    not there."""
    teacher = model.get("teacher")
    if not teacher:
        return None
    path = Path(teacher.weights)
    if not path.is_file():
        raise TrainingError(
            f"model.teacher.weights={path}: there is no such file, seen from {Path.cwd()}"
        )
    return path


def list_differences(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    """What differs between two records in configuration and data, one phrase each; none if they
    agree."""
    was, now = (_settings(r["config"]) | _data_keys(r) for r in (old, new))
    return [
        f"{key} was {_shown(was, key)}, is {_shown(now, key)}"
        for key in sorted({*was, *now})
        if key not in FREE_KEYS and was.get(key, _ABSENT) != now.get(key, _ABSENT)
    ]


def holds_unfinished_run(folder: Path) -> bool:
    """Whether a run lies in a folder that can be gone on with."""
    if not ((folder / RECORD_FILE).exists() and (folder / CHECKPOINT_FILE).exists()):
        return False
    return "ended" not in _read_record(folder)


def ended_as_described(folder: Path, config: Any) -> bool:
    """Whether a folder holds a run of just this configuration and data that has ended."""
    if not (folder / RECORD_FILE).exists():
        return False
    old = _read_record(folder)
    return "ended" in old and not list_differences(old, describe_run(config))


@cache
def code_version() -> Json:
    """Version of the package, checksum of the code that trains, and the commit where git has it."""
    digest = hashlib.sha256()
    for folder in CODE_FOLDERS:
        for path in sorted((ROOT / folder).rglob("*")):
            if path.suffix in (".py", ".yaml"):
                digest.update(path.relative_to(ROOT).as_posix().encode() + b"\0")
                digest.update(path.read_bytes())
    return {
        "version": _version_of("crownlet"),
        "sha256": digest.hexdigest(),
        "commit": _git("rev-parse", "HEAD"),
        "changed": bool(_git("status", "--porcelain", "--untracked-files=no")),
    }


def _version_of(package: str) -> str | None:
    try:
        return version(package)
    except PackageNotFoundError:
        return None


def _git(*arguments: str) -> str | None:
    if not (ROOT / ".git").exists():
        return None
    try:
        run = subprocess.run(
            ["git", "-C", str(ROOT), *arguments], capture_output=True, text=True, check=True,
            timeout=20,
        )  # fmt: skip
    except (OSError, subprocess.SubprocessError):
        return None
    return run.stdout.strip()


def _reopen_run(folder: Path, found: Json) -> Run:
    if not (folder / RECORD_FILE).exists():
        raise TrainingError(f"resume={folder}: no run lies there ({RECORD_FILE} is missing)")
    old = _read_record(folder)
    if "ended" in old:
        raise TrainingError(
            f"resume={folder}: this run ended on {old['ended']}; a new one goes on from its weights"
            " with start_from=FILE"
        )
    different = list_differences(old, found)
    if different:
        raise TrainingError(
            f"resume={folder}: refused, for this is not what the run was started with"
            f" ({' '.join(old['command']) or 'no settings of its own'}): {'; '.join(different)}"
        )
    checkpoint = folder / CHECKPOINT_FILE
    if not checkpoint.exists():
        raise TrainingError(
            f"resume={folder}: it was stopped before its first checkpoint; begin a new run"
        )
    step = _read_step(checkpoint)
    old["resumed"].append({"at": found["began"], "step": step, "code": found["code"]})
    if old["code"]["sha256"] != found["code"]["sha256"]:
        print(f"{folder}: the code has changed since it began; the record holds both versions")
    return Run(folder, old, checkpoint)


def _read_record(folder: Path) -> Json:
    try:
        record: Json = json.loads((folder / RECORD_FILE).read_text("utf-8"))
    except ValueError as error:
        raise TrainingError(f"{folder / RECORD_FILE} cannot be read: {error}") from None
    return record


def _read_step(checkpoint: Path) -> int:
    try:
        kept = torch.load(checkpoint, map_location="cpu", weights_only=True)
        return int(kept["global_step"])
    except Exception as error:
        reason = (str(error).splitlines() or [type(error).__name__])[0]
        raise TrainingError(
            f"{checkpoint} is damaged and cannot be gone on from ({reason}); the weights beside it"
            " can still be a start: start_from=FILE"
        ) from None


def _put_aside(folder: Path) -> None:
    number = 1
    while (aside := folder.with_name(f"{folder.name}.old{number}")).exists():
        number += 1
    folder.rename(aside)
    print(f"{folder}: the run that was there lies in {aside} now")


def _plain(value: Any) -> Any:
    return OmegaConf.to_container(value, resolve=True) if OmegaConf.is_config(value) else value


def _flatten(value: Any, prefix: str = "") -> Iterator[tuple[str, Any]]:
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _flatten(inner, f"{prefix}.{key}" if prefix else str(key))
    else:
        yield prefix, value


MADE = ("model.network.", "model.module.", "data.renders.", "data.module.")
"""Parts of the configuration whose values are those of others, handed on; only what they make
(`_target_`) is their own."""


def _settings(config: Any) -> dict[str, Any]:
    return {k: v for k, v in _flatten(config) if not k.startswith(MADE) or k.endswith("._target_")}


def _data_keys(record: Mapping[str, Any]) -> dict[str, Any]:
    scans = {f"data set {s['name']}": _identity(s) for s in record["scans"]}
    # Records of earlier versions know no teacher.
    weights = {"start_from": record["parent"], "teacher": record.get("teacher")}
    return scans | {f"weights of {name}": checksum for name, checksum in weights.items()}


def _identity(scan: Mapping[str, Any]) -> str:
    number = f"version {scan['version']}, " if "version" in scan else ""
    return f"{number}sha256 {scan['sha256'][:12]}"


_ABSENT = object()


def _shown(values: Mapping[str, Any], key: str) -> str:
    return json.dumps(values[key], ensure_ascii=False) if key in values else "absent"


def _shorten_paths(value: Any) -> Any:
    """The same values, absolute paths by their last part: weights travel, folders do not."""
    if isinstance(value, Mapping):
        return {key: _shorten_paths(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [_shorten_paths(inner) for inner in value]
    return Path(value).name if isinstance(value, str) and value.startswith("/") else value


def _now() -> str:
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")

"""Checksums of a golden run: what is held of each file, and how two of them differ."""

from __future__ import annotations

import hashlib
import json
import platform
import re
import sqlite3
from dataclasses import dataclass
from fnmatch import fnmatch
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, Literal

from golden_commands import ROOT, CommandOutput

Sums = dict[str, Any]
"""As `sums.json` holds it: `made_with`, `commands`, `files`."""


@dataclass(frozen=True)
class Volatile:
    """Something that differs between two runs that did the same, and what is done about it."""

    what: str
    """A pattern of relative paths; with `replace`, a regular expression."""
    do: Literal["leave out", "hold rows", "replace"]
    why: str
    by: str = ""


VOLATILE = (
    Volatile("*/timing.json", "leave out", "seconds that each stage took"),
    Volatile("*review.pictures.sqlite3*", "leave out",
             "a cache that a thread fills while pages are read; may be deleted at any time"),
    Volatile("*.sqlite3-*", "leave out", "SQLite's log and its index; rows are read with them"),
    Volatile("*.sqlite3", "hold rows", "bytes depend on when SQLite moved its log; rows do not"),
    Volatile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}\+00:00", "replace",
             "the moment of a decision, of a first visit, of a draw", "<moment>"),
    Volatile(r"(Reader [AB], )\d{4}-\d\d-\d\d\b", "replace",
             "the day of a decision, as sheets have it", r"\1<day>"),
    Volatile(r"(Report (?:made on|of Crownlet [\w., ]*,) )\d{4}-\d\d-\d\d\b", "replace",
             "the day on which a survey's report was made", r"\1<day>"),
    Volatile(r"\b\d{19}-(\d+)", "replace",
             "when a table was last changed, ns, and its size, as the review's file keeps them",
             r"<changed>-\1"),
    Volatile(r"\b\d+(\.\d)? s\b", "replace", "how long a page or a sheet took", "<seconds>"),
    Volatile(r"; about \d+ min left", "replace", "how long the rest may take"),
    Volatile(r"http://127\.0\.0\.1:\d+/\?token=[\w-]+", "replace",
             "a port and a token of the review's server, drawn anew", "<address>"),
    Volatile(re.escape(str(ROOT)), "replace", "where the project lies", "<project>"),
)  # fmt: skip
"""All that is not held byte for byte."""
TEXT = (".csv", ".css", ".html", ".json", ".svg", ".txt")
PROGRAMS = (
    "numpy", "opencv-python-headless", "onnxruntime", "pillow", "scipy", "matplotlib", "jinja2",
    "starlette", "hydra-core",
)  # fmt: skip
INSTRUCTIONS = ("avx2", "fma", "avx512f", "avx512_vnni", "avx512_bf16", "avx_vnni", "amx_int8")
"""Flags of processors by which the networks' and the pictures' arithmetic chooses its code."""


def made_with() -> dict[str, str]:
    """Versions of what answers depend on, and the processor's family."""
    found = {"python": platform.python_version(), "machine": platform.machine()}
    for name in PROGRAMS:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "missing"
    return found | {"instructions": _instructions()}


def _instructions() -> str:
    try:
        text = Path("/proc/cpuinfo").read_text(encoding="utf-8")
    except OSError:
        return platform.processor() or "unknown"
    flags = re.search(r"^(?:flags|Features)\s*:(.*)$", text, re.MULTILINE)
    known = set(flags[1].split()) if flags else set()
    return " ".join(name for name in INSTRUCTIONS if name in known)


def sums(out: Path, outputs: list[CommandOutput]) -> Sums:
    """All that is held of a run in `out` whose commands printed `told`."""
    files = {}
    for path in sorted(path for path in out.rglob("*") if path.is_file()):
        name = path.relative_to(out).as_posix()
        held = content(path, name, out)
        if held is not None:
            files[name] = hashlib.sha256(held).hexdigest()
    commands = [
        {key: _plain_lines(value, out) for key, value in one.items()} for one in outputs
    ]  # fmt: skip
    return {"made_with": made_with(), "commands": commands, "files": dict(sorted(files.items()))}


def content(path: Path, name: str, out: Path) -> bytes | None:
    """What is held of a file: its bytes, its text without what is volatile, its rows, or None."""
    for rule in VOLATILE:
        if rule.do != "replace" and fnmatch(f"/{name}", rule.what):
            return None if rule.do == "leave out" else _plain(_rows(path), out).encode()
    data = path.read_bytes()
    return _plain(data.decode(), out).encode() if path.suffix in TEXT else data


def _plain(text: str, out: Path) -> str:
    text = text.replace(str(out), "<out>")
    for rule in VOLATILE:
        if rule.do == "replace":
            text = re.sub(rule.what, rule.by, text)
    return text


def _plain_lines(value: object, out: Path) -> object:
    if isinstance(value, list):
        return [_plain(line, out) for line in value]
    return _plain(value, out) if isinstance(value, str) else value


def _rows(path: Path) -> str:
    """Every table of a database and its rows, as lines of JSON."""
    database = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        tables = database.execute(
            "SELECT name, sql FROM sqlite_master WHERE type = 'table' ORDER BY name"
        ).fetchall()
        lines = []
        for name, made in tables:
            rows = database.execute(f'SELECT * FROM "{name}"').fetchall()
            lines += [made, *sorted(json.dumps(row, ensure_ascii=False) for row in rows)]
    finally:
        database.close()
    return "\n".join(lines) + "\n"


def in_any_order(one: Sums) -> Sums:
    """Sums whose lines are sorted and not numbered: several workers end in no fixed order."""

    def lines(given: list[str]) -> list[str]:
        return sorted(re.sub(r"^\[\d+/", "[/", line) for line in given)

    commands = [
        {
            **outputs, "command": re.sub(r" --workers \d+", "", outputs["command"]),
            "stdout": lines(outputs["stdout"]), "stderr": lines(outputs["stderr"]),
        }
        for outputs in one["commands"]
    ]  # fmt: skip
    return {**one, "commands": commands}


def differences(held: Sums, made: Sums) -> list[str]:
    """A line for each file and each command that differs, is missing or is new."""
    lines = []
    before, after = held["files"], made["files"]
    for name in sorted({*before, *after}):
        if before.get(name) != after.get(name):
            how = "missing" if name not in after else "new" if name not in before else "differs"
            lines.append(f"{how}: {name}")
    for number in range(max(len(held["commands"]), len(made["commands"]))):
        lines += _of_command(*(one["commands"][number : number + 1] for one in (held, made)))
    return lines


def _of_command(held: list[CommandOutput], made: list[CommandOutput]) -> list[str]:
    if not (held and made):
        how, one = ("missing", held) if held else ("new", made)
        return [f"{how}: command {one[0]['command']}"]
    a, b = held[0], made[0]
    if a == b:
        return []
    lines = [f"differs: command {b['command']}"]
    if a["command"] != b["command"]:
        lines.append(f"    was {a['command']}")
    if a["exit"] != b["exit"]:
        lines.append(f"    exit code was {a['exit']}, is {b['exit']}")
    for was, now in ((a["stdout"], b["stdout"]), (a["stderr"], b["stderr"])):
        lines += [f"    - {line}" for line in was if line not in now]
        lines += [f"    + {line}" for line in now if line not in was]
    return lines


def other_versions(held: Sums, made: Sums) -> list[str]:
    """A line for each program, and for the processor, that is not the one of the held sums."""
    a, b = held["made_with"], made["made_with"]
    return [
        f"{name}: {a.get(name, 'unknown')} then, {b.get(name, 'unknown')} now"
        for name in sorted({*a, *b})
        if a.get(name) != b.get(name)
    ]


def write_new(held: Sums, made: Sums, out: Path, folder: Path) -> None:
    """Copy what differs or is new into `folder`, as it is held, with the new sums beside it."""
    for name, checksum in made["files"].items():
        if held["files"].get(name) != checksum:
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            data = content(out / name, name, out)
            (folder / name).write_bytes(data if data is not None else b"")
    folder.mkdir(parents=True, exist_ok=True)
    write(folder / "sums.json", made)


def write(path: Path, made: Sums) -> None:
    """Write sums as they are held."""
    draft = path.with_suffix(".draft")
    text = json.dumps(made, ensure_ascii=False, indent=1)
    draft.write_text(text + "\n", encoding="utf-8")
    draft.replace(path)


def read(path: Path) -> Sums:
    """Read held sums."""
    found: Sums = json.loads(path.read_text(encoding="utf-8"))
    return found

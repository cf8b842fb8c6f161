"""Commands of the tree under test, started as a user starts them, with all that they print.

No module of the program is named here: `pyproject.toml` says which function each command starts,
so that modules may be moved without a change to the golden run.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypedDict

ROOT = Path(__file__).resolve().parents[2]
START = (
    "import sys; from {module} import {function} as start; sys.argv[0] = {name!r}; "
    "sys.exit(start())"
)


class CommandOutput(TypedDict):
    """What a command printed and how it ended; the lines of both streams."""

    command: str
    exit: int
    stdout: list[str]
    stderr: list[str]


def start_of(name: str, *arguments: str) -> list[str]:
    """The command line that starts one of the commands of `pyproject.toml` in this Python."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    module, function = project["scripts"][name].split(":")
    return [
        sys.executable, "-c", START.format(module=module, function=function, name=name), *arguments,
    ]  # fmt: skip


def environment() -> dict[str, str]:
    """This process's environment, with the tree of this file before any that is installed."""
    given = os.environ.get("PYTHONPATH")
    links = [str(ROOT / ".types")] if (ROOT / ".types").is_dir() else []
    path = os.pathsep.join([*links, *([given] if given else [])])
    return {**os.environ, "PYTHONPATH": path, "PYTHONDONTWRITEBYTECODE": "1"}


@dataclass
class Commands:
    """Runs commands in `out`, so that paths in their output are relative, and keeps their words."""

    out: Path
    outputs: list[CommandOutput] = field(default_factory=list)

    def run(self, name: str, *arguments: str) -> None:
        """Run one command to its end, whatever its exit code."""
        done = subprocess.run(
            start_of(name, *arguments), cwd=self.out, env=environment(), capture_output=True,
            text=True, encoding="utf-8", timeout=600, check=False,
        )  # fmt: skip
        self.keep((name, *arguments), done.returncode, done.stdout, done.stderr)

    def keep(self, command: tuple[str, ...], code: int, stdout: str, stderr: str) -> None:
        """Keep what a command printed."""
        words = " ".join(part if " " not in part else repr(part) for part in command)
        self.outputs.append(
            CommandOutput(
                command=words, exit=code, stdout=stdout.splitlines(), stderr=stderr.splitlines()
            )
        )

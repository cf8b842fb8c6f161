"""The oldest versions that `pyproject.toml` allows, as constraints for pip (`.ci/oldest`).

    python tests/hygiene/floors.py > FILE

Only what is asked for directly has a floor; what that brings is as new as it allows.
"""

from __future__ import annotations

import re
import tomllib
from itertools import chain
from pathlib import Path

PROJECT = Path(__file__).resolve().parents[2] / "pyproject.toml"

_LINE = re.compile(r"(?P<name>[A-Za-z0-9._-]+)\s*(?:>=|==)\s*(?P<version>[0-9][0-9.]*)")


def floors(project: Path = PROJECT) -> dict[str, str]:
    """The least version of each direct dependency, by its name as written there."""
    data = tomllib.loads(project.read_text("utf-8"))["project"]
    found: dict[str, str] = {}
    for line in chain(data["dependencies"], *data["optional-dependencies"].values()):
        part = _LINE.match(line)
        if part is None:
            continue
        name, version = part["name"], part["version"]
        if found.setdefault(name, version) != version:
            raise ValueError(f"{name} has two floors: {found[name]} and {version}")
    return found


if __name__ == "__main__":
    for name, version in sorted(floors().items()):
        print(f"{name}=={version}")

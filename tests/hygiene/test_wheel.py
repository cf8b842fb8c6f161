"""Two builds of one tree at different times and places give the same bytes.

SOURCE_DATE_EPOCH: reproducible-builds.org/specs/source-date-epoch, followed by setuptools.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
KEPT = ("configs", "datasets", "infer", "models", "train")
FILES = ("README.md", "LICENSE", "pyproject.toml")


def tree(folder: Path) -> Path:
    """The tree as git knows it, with what is not yet committed."""
    listed = ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard", *KEPT, *FILES]
    names = subprocess.run(listed, cwd=ROOT, capture_output=True, text=True, check=True).stdout
    for name in filter(None, names.split("\0")):
        if (ROOT / name).is_file() and not name.endswith(".safetensors"):
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(ROOT / name, folder / name)
    return folder


def again(source: Path, folder: Path, moment: int) -> Path:
    """The same files copied in another order and dated at `moment`."""
    for path in sorted(source.rglob("*"), reverse=True):
        if path.is_file():
            copy = folder / path.relative_to(source)
            copy.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, copy)
            os.utime(copy, (moment, moment))
    return folder


def wheel(source: Path, out: Path) -> tuple[str, str]:
    """Name and checksum of the wheel built from a tree."""
    command = [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "--no-build-isolation"]
    environment = {**os.environ, "SOURCE_DATE_EPOCH": "1700000000"}
    subprocess.run([*command, "-w", out, source], check=True, env=environment, timeout=600)
    (built,) = out.glob("*.whl")
    return built.name, hashlib.sha256(built.read_bytes()).hexdigest()


def test_two_builds_are_the_same(tmp_path: Path) -> None:
    source = tree(tmp_path / "a")
    other = again(source, tmp_path / "somewhere else" / "b", 1_600_000_000)
    assert wheel(source, tmp_path / "one") == wheel(other, tmp_path / "other")

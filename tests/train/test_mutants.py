"""Faults put into the code on purpose (`mutants.yaml`): the test that each names must fail.

Mutation testing (DeMillo, Lipton and Sayward 1978): a test that no fault can fail checks nothing.
The faults are tried with `pytest -m mutants`, some ten seconds each; that the list is up to date is
checked always.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import yaml

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
ROOMS = ("configs", "datasets", "infer", "models", "train")
MUTANTS: list[dict[str, str]] = yaml.safe_load((HERE / "mutants.yaml").read_text("utf-8"))


@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda m: m["put"])
def test_every_fault_can_be_put_in_and_names_a_test(mutant: dict[str, str]) -> None:
    source = (ROOT / mutant["file"]).read_text("utf-8")
    assert source.count(mutant["find"]) == 1
    file, _, name = mutant["test"].partition("::")
    assert f"def {name.partition('[')[0]}(" in (HERE / file).read_text("utf-8")


@pytest.mark.mutants
@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda m: m["put"])
def test_the_fault_is_found(mutant: dict[str, str], tmp_path: Path) -> None:
    package = tmp_path / "crownlet"
    package.mkdir()
    changed = Path(mutant["file"])
    for room in ROOMS:
        if room == changed.parts[0]:
            shutil.copytree(ROOT / room, package / room)
        else:
            (package / room).symlink_to(ROOT / room)
    target = package / changed
    target.write_text(target.read_text("utf-8").replace(mutant["find"], mutant["put"]), "utf-8")
    command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider"]
    run = subprocess.run(
        [*command, f"tests/train/{mutant['test']}"], cwd=ROOT, capture_output=True, text=True,
        env=os.environ | {"PYTHONPATH": str(tmp_path)}, check=False,
    )  # fmt: skip
    # Tests ran and some failed (pytest's reference, "Exit codes"); errors of collection are a 2.
    assert run.returncode == 1, run.stdout[-2000:]
    assert f"FAILED tests/train/{mutant['test']}" in run.stdout, run.stdout[-2000:]

"""The golden run against the checksums that are held: a change of structure changes no output.

The sums are of this program's own earlier output: they say that nothing changed, not that it was
right. What is right is checked against outside sources in the other tests.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import golden_sums
import pytest
from golden_sums import Sums

FOLDER = Path(__file__).parent
HELD = FOLDER / "sums.json"


@pytest.mark.golden
def test_the_golden_run_is_the_same(tmp_path: Path) -> None:
    out, new = tmp_path / "run", tmp_path / "differing"
    made_at = tmp_path / "sums.json"
    # A process of its own, so that nothing that other tests have set bears on it.
    done = subprocess.run(
        [sys.executable, str(FOLDER / "make.py"), str(out), "--write", "--sums", str(made_at)],
        capture_output=True, text=True, check=False, timeout=3600,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    held, made = golden_sums.read(HELD), golden_sums.read(made_at)
    found = golden_sums.differences(held, made)
    if found:
        golden_sums.write_new(held, made, out, new)
        pytest.fail(message(found, held, made, new), pytrace=False)


def message(found: list[str], held: Sums, made: Sums, new: Path) -> str:
    """What differs, where it lies, and what else than the program may be the cause."""
    lines = ["The golden run is not what it was:", *found, f"What it is now lies in {new}."]
    if others := golden_sums.other_versions(held, made):
        lines += [
            "The sums were made with other programs or on another processor, on which the "
            "networks' answers and the pictures' bytes depend:",
            *(f"    {line}" for line in others),
            "To tell the two causes apart, renew the sums here on the last commit that is known "
            "to be good, then run this test on the present one.",
        ]
    lines.append("Where the change is meant: python tests/golden/make.py OUT --write")
    return "\n".join(lines)


def sums(files: dict[str, str], exit_code: int = 0, line: str = "a", numpy: str = "1") -> Sums:
    output = {"command": "crownlet", "exit": exit_code, "stdout": [line], "stderr": []}
    return {"made_with": {"numpy": numpy}, "commands": [output], "files": files}


def test_every_difference_is_listed(tmp_path: Path) -> None:
    held = sums({"same": "1", "changed": "2", "gone": "3"})
    made = sums({"same": "1", "changed": "4", "fresh.txt": "5"}, exit_code=1, line="b", numpy="2")
    found = golden_sums.differences(held, made)
    assert found == [
        "differs: changed", "new: fresh.txt", "missing: gone", "differs: command crownlet",
        "    exit code was 0, is 1", "    - a", "    + b",
    ]  # fmt: skip
    assert "numpy: 1 then, 2 now" in message(found, held, made, tmp_path)
    assert golden_sums.differences(held, held) == []


def test_what_is_new_is_written_as_it_is_held(tmp_path: Path) -> None:
    out, new = tmp_path / "out", tmp_path / "new"
    (out / "run").mkdir(parents=True)
    (out / "run/a.txt").write_text("decided 2026-01-02T03:04:05.678901+00:00, 1.2 s")
    (out / "run/timing.json").write_text("{}")
    made = golden_sums.sums(out, [])
    assert list(made["files"]) == ["run/a.txt"]
    golden_sums.write_new(sums({}), made, out, new)
    assert (new / "run/a.txt").read_text() == "decided <moment>, <seconds>"

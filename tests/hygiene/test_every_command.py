"""Every command once: no network is asked, nothing is written elsewhere, what is written is held
and put in its place whole.

That all this holds is this project's decision; how it is seen stands in `network_watch.py` and
`write_watch.py`.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import every_command
import pytest
import tiny
from network_watch import SERVING, isolated

from crownlet.infer import cli
from crownlet.train import scans_cli

ROOT = Path(__file__).resolve().parents[2]

TORCH_FOLDER = "torchinductor_"
"""First characters of a folder that torch makes for temporary files whenever it is loaded."""

LOCKED_BY_SQLITE = {"crownlet review": {"run/review.sqlite3", "run/review.pictures.sqlite3"}}
"""What several processes may write at once: SQLite locks its files (sqlite.org/lockingv3.html)."""

GROWING = {
    "crownlet-train job=fit": ("train/fit/tensorboard/", "train/fit/csv/"),
    "crownlet-train job=render": ("models/used/",),
    "crownlet-train job=new_hand": ("train/new_hand/base/model/",),
}
"""Places of files that are not written whole: logs of learning, to which each step adds, and the
networks that `every_job.py` itself copies."""

EVERY = """
import sys
from pathlib import Path
sys.path[:0] = sys.argv[3:4]
import every_command
every_command.main(Path(sys.argv[1]), Path(sys.argv[2]))
"""


def actions(parser: argparse.ArgumentParser, name: str) -> Iterator[str]:
    """The names of all commands that a parser knows, each with those before it."""
    found = [action for action in parser._actions if hasattr(action, "_name_parser_map")]
    if not found:
        yield name
    for action in found:
        for word, inner in action._name_parser_map.items():
            yield from actions(inner, f"{name} {word}")


def test_every_command_there_is_is_run_below() -> None:
    """The commands by the programs' own parsers, the jobs by their configurations."""
    programs = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["scripts"]
    jobs = {path.stem for path in (ROOT / "configs" / "job").glob("*.yaml")}
    known = {
        "crownlet": set(actions(cli._parser(), "crownlet")),
        "crownlet-scans": set(actions(scans_cli.build_parser(), "crownlet-scans")),
        "crownlet-render": {"crownlet-render"},
        "crownlet-train": {f"crownlet-train job={name}" for name in jobs},
    }
    assert set(programs) == set(known)
    assert set(every_command.COVERED) >= set().union(*known.values())


@dataclass(frozen=True)
class Ran:
    """All commands, run in one process."""

    ended: subprocess.CompletedProcess[str]
    places: dict[str, Path]
    """Home, current folder and temporary folder of that process."""

    def seen(self, what: str) -> dict[str, set[str]]:
        """What each command has written, where the watch says of it `UNHELD` or `IN PLACE`."""
        found: dict[str, set[str]] = {}
        for line in self.ended.stdout.splitlines():
            if line.startswith("== "):
                command = line.removeprefix("== ")
            elif line.startswith(f"{what} "):
                found.setdefault(command, set()).add(line.removeprefix(f"{what} "))
        return found


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> Ran:
    folder = tmp_path_factory.mktemp("every")
    tiny.pages(folder / "scans", 3)
    (folder / "out").mkdir()
    places = {name: folder / name for name in ("home", "here", "temp")}
    for place in places.values():
        place.mkdir()
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("XDG_", "MPL", "HOME", "TMP"))}
    kept["PYTHONPATH"] = os.pathsep.join(
        map(os.path.abspath, kept.get("PYTHONPATH", ".").split(":"))
    )
    ended = subprocess.run(
        [*isolated(), sys.executable, "-c", SERVING + EVERY, folder / "scans", folder / "out",
         Path(__file__).parent],
        capture_output=True, text=True, timeout=1500, cwd=places["here"],
        env={**kept, "HOME": str(places["home"]), "TMPDIR": str(places["temp"]),
             "PYTHONDONTWRITEBYTECODE": "1"},
    )  # fmt: skip
    return Ran(ended, places)


def test_every_command_ends_well_and_asks_no_network(ran: Ran) -> None:
    assert ran.ended.returncode == 0, ran.ended.stderr[-2000:]
    assert "NETWORK" not in ran.ended.stderr


def test_every_command_writes_only_into_its_folder(ran: Ran) -> None:
    left = {
        name: [path for path in place.rglob("*") if not path.name.startswith(TORCH_FOLDER)]
        for name, place in ran.places.items()
    }
    assert left == {name: [] for name in ran.places}


def test_every_command_holds_what_it_writes(ran: Ran) -> None:
    """But for the jobs of `crownlet-train`, each of which makes networks for one person."""
    unheld = {k: v for k, v in ran.seen("UNHELD").items() if not k.startswith("crownlet-train ")}
    assert unheld == LOCKED_BY_SQLITE
    held = {"crownlet-train job=promote", "crownlet-train job=restore"}
    assert not {path for name in held for path in ran.seen("UNHELD").get(name, ())
                if path.startswith("models/store/")}  # fmt: skip


def test_every_command_puts_whole_files_in_their_place(ran: Ran) -> None:
    """A killed command leaves the old file or the new one; what C writes by itself is not seen."""
    found = {
        command: [path for path in sorted(paths) if not path.startswith(GROWING.get(command, ()))]
        for command, paths in ran.seen("IN PLACE").items()
    }
    assert {command: paths for command, paths in found.items() if paths} == {}

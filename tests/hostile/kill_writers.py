"""Commands that write beside a run or into a data set, killed: a file stays the old or is the new.

A kill leaves its folder to the next, so that a command also begins on what several kills have left.
Every few kills it is run to its end, and must make what it makes undisturbed.
"""

from __future__ import annotations

import random
import shutil
import sqlite3
import subprocess
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from io import BytesIO
from pathlib import Path

import tiny
from killing import Kills, crownlet, end_well, finish, kill_after, module
from pyarrow.parquet import read_table

from crownlet.datasets.coco.read import LabelError
from crownlet.datasets.scans.manifest import MANIFEST, read_manifest

KILLS_TO_AN_END = 5
"""Kills after which a command is run to its end."""

Files = dict[str, bytes]


def visible_files(folder: Path) -> Files:
    """The files of a folder but drafts, locks and the decisions of a review, by their paths."""
    found = tiny.contents(folder) if folder.is_dir() else {}
    return {
        name: data for name, data in found.items()
        if not any(part.startswith(".") for part in name.split("/")) and ".sqlite3" not in name
    }  # fmt: skip


def survey_files(folder: Path) -> Files:
    """The files of a survey, Parquet by its rows: Arrow 23 leaves two of its bytes to chance."""
    return {
        name: str(read_table(BytesIO(data)).to_pylist()).encode()
        if name.endswith(".parquet") else data
        for name, data in visible_files(folder).items()
    }  # fmt: skip


def set_files(folder: Path) -> Files:
    """What a data set holds: its manifest, its datasheet, and the files that the manifest names.

    LabelError for a manifest that cannot be read, OSError where a file that it names is not there.
    """
    if not (folder / MANIFEST).is_file():
        return {}
    named = {name for scan in read_manifest(folder).scans
             for name in (scan.file, scan.labels, scan.text) if name}  # fmt: skip
    return {name: (folder / name).read_bytes() for name in {MANIFEST, "datasheet.md", *named}}


@dataclass(frozen=True)
class Writer:
    """A command that is killed, and what it works on."""

    name: str
    command: Sequence[str]
    folder: Path
    before: Path | None = None
    """A copy of the folder as the command finds it; None where it begins with no folder."""
    files: Callable[[Path], Files] = visible_files
    after: Callable[[Path, Files], Sequence[str] | None] = lambda folder, good: None
    """What is run in place of the command after a kill; None for the command itself."""

    def reset(self) -> None:
        """Put the folder back as it was."""
        shutil.rmtree(self.folder, ignore_errors=True)
        if self.before is not None:
            shutil.copytree(self.before, self.folder)


def kill_writer(writer: Writer, times: int, seed: int = 0) -> Kills:
    """Kill a command at random moments between its first imports and its end."""
    kills, rng = Kills(writer.name), random.Random(seed)
    writer.reset()
    old, seconds = writer.files(writer.folder), [finish(writer.command)]
    good = writer.files(writer.folder)
    writer.reset()
    seconds.append(finish(writer.command))
    if writer.files(writer.folder) != good:
        kills.wrong.append("two undisturbed runs differ")
    writer.reset()
    for number in range(1, times + 1):
        at_work, left = kill_after(
            writer.command, rng.uniform(0.4 * min(seconds[-3:]), max(seconds[-3:]))
        )
        kills.killed, kills.at_work = kills.killed + 1, kills.at_work + at_work
        if left:
            kills.wrong.append(f"kill {number}: processes {left} outlived it")
        kills.wrong += [f"kill {number}: {text}" for text in _faults(writer, old, good)]
        kills.drafts += len(list(writer.folder.rglob(".crownlet-*")))
        if not at_work or number % KILLS_TO_AN_END == 0 or number == times:
            again = writer.after(writer.folder, good)
            took = finish(again or writer.command)
            seconds += [] if again else [took]
            kills.finished += 1
            if writer.files(writer.folder) != good:
                kills.wrong.append(f"after kill {number}: not what an undisturbed run makes")
            writer.reset()
    return kills


def _faults(writer: Writer, old: Files, good: Files) -> list[str]:
    try:
        stands = writer.files(writer.folder)
    except (LabelError, OSError) as error:
        return [f"damaged: {error}"]
    odd = [name for name, data in stands.items() if data not in (old.get(name), good.get(name))]
    lost = sorted(old.keys() & good.keys() - stands.keys())
    return [f"not whole {odd}"] * bool(odd) + [f"lost {lost}"] * bool(lost)


# The commands.


def inspected_run(folder: Path, pages: int = 2) -> Path:
    """A run of small pages of one scroll, to be copied."""
    tiny.pages(folder / "scans", pages)
    finish(crownlet("inspect", folder / "scans", "--out", folder / "run", "--portion", "none"))
    return (folder / "run").rename(folder / "before")


def write_sheets(folder: Path) -> Writer:
    """`crownlet sheet`."""
    before, run = inspected_run(folder), folder / "run"
    return Writer("sheet", crownlet("sheet", run), run, before)


def write_drift(folder: Path) -> Writer:
    """`crownlet drift`."""
    before, run = inspected_run(folder), folder / "run"
    return Writer("drift", crownlet("drift", run), run, before)


def export_review(folder: Path) -> Writer:
    """`crownlet review --export` after some decisions."""
    from crownlet.infer.review.store import ReviewStore
    from crownlet.infer.run.run import open_run

    before, run = inspected_run(folder), folder / "run"
    shutil.copytree(before, run)
    store = ReviewStore.open(run / "review.sqlite3", open_run(run), audit_share=0.5)
    for item in store.items("anna")[:6]:
        store.decide(item.id, "anna", "present", version=0)
    store.close()
    shutil.rmtree(before)
    run.rename(before)
    kept = _decisions(before)

    def files(place: Path) -> Files:
        if (found := _decisions(place)) != kept:
            raise OSError(f"{found} decisions of {kept}")
        return visible_files(place)

    return Writer("review --export", crownlet("review", run, "--export"), run, before, files)


def _decisions(run: Path) -> tuple[str, int]:
    """State and number of the decisions of a run; the file is only read."""
    db = sqlite3.connect(run / "review.sqlite3")
    try:
        count = db.execute("SELECT count(*) FROM decisions").fetchone()[0]
        return db.execute("PRAGMA integrity_check").fetchone()[0], count
    finally:
        db.close()


def render_pages(folder: Path) -> Writer:
    """`crownlet-render` of three small pages."""
    out = folder / "rendered"
    small = ("render=reverse", "augment=none", "pages=3")
    return Writer("render", module("crownlet.datasets.render.cli", f"out='{out}'", *small), out)


def survey_folders(folder: Path) -> list[Path]:
    """Two finished surveys of other scrolls."""
    scans = tiny.pages(folder / "scans", 4)
    made = []
    for number, half in enumerate((scans[:2], scans[2:])):
        rows = [f"{scan},s {scan.stem},source {k},face" for k, scan in enumerate(half)]
        manifest = folder / f"manifest{number}.csv"
        manifest.write_text("\n".join(("scan,scroll,source,side", *rows)) + "\n")
        made.append(folder / f"survey{number}")
        finish(crownlet("survey", "run", manifest, "--out", made[-1]))
    return made


def merge_surveys(folder: Path) -> Writer:
    """`crownlet survey merge`."""
    members, out = survey_folders(folder), folder / "merged"
    return Writer("survey merge", crownlet("survey", "merge", *members, "--out", out), out)


def compare_survey(folder: Path) -> Writer:
    """`crownlet survey compare`."""
    survey = survey_folders(folder)[0]
    before = survey.rename(folder / "before")
    return Writer("survey compare", crownlet("survey", "compare", survey), survey, before)


def export_survey(folder: Path) -> Writer:
    """`crownlet survey export`."""
    survey = survey_folders(folder)[0]
    before = survey.rename(folder / "before")
    command = crownlet("survey", "export", survey)
    return Writer("survey export", command, survey, before, files=survey_files)


def scans(*arguments: object) -> list[str]:
    return module("crownlet.train.scans_cli", *arguments)


def add_command(folder: Path, page: Path) -> list[str]:
    """`crownlet-scans add` of one page as a scroll of its own."""
    return scans("add", folder, "--scans", page, "--split", "train", "--scroll", page.stem,
                 "--provenance", "drawn")  # fmt: skip


def begun_set(folder: Path) -> tuple[Path, list[Path]]:
    """A data set with two of three scrolls, to be copied, and the pages."""
    pages, data = tiny.pages(folder / "came", 3), folder / "set"
    for page in pages[:2]:
        finish(add_command(data, page))
    return data.rename(folder / "before"), pages


def _end_of_change(folder: Path, good: Files) -> Sequence[str] | None:
    """A change whose manifest stands is not made twice: its datasheet may be the old one."""
    stands = (folder / MANIFEST).read_bytes() == good[MANIFEST]
    return scans("datasheet", folder) if stands else None


def change_set(name: str, folder: Path) -> Writer:
    """`crownlet-scans add`, `remove` or `move`."""
    (before, pages), data = begun_set(folder), folder / "set"
    one = pages[0].stem
    command = {
        "add": add_command(data, pages[2]),
        "remove": scans("remove", data, one, "--because", "a test"),
        # Both: small pages look alike, and likenesses do not stand in two splits.
        "move": scans("move", data, one, pages[1].stem, "--to", "test", "--because", "a test"),
    }[name]
    return Writer(f"scans {name}", command, data, before, set_files, _end_of_change)


WRITERS: dict[str, Callable[[Path], Writer]] = {
    "sheet": write_sheets, "export": export_review, "drift": write_drift, "render": render_pages,
    "add": partial(change_set, "add"), "remove": partial(change_set, "remove"),
    "move": partial(change_set, "move"), "merge": merge_surveys, "compare": compare_survey,
    "survey-export": export_survey,
}  # fmt: skip


# Two at once.


def kill_one_of_two_writers(
    name: str, commands: tuple[Sequence[str], Sequence[str]], writer: Writer, times: int, seed: int
) -> Kills:
    """Two commands on one folder at once, one of them killed: the other ends well.

    With the killed one begun again, the folder must be as both make it one after the other.
    """
    kills, rng = Kills(name), random.Random(seed)
    writer.reset()
    seconds = sum(finish(command) for command in commands)
    good = writer.files(writer.folder)
    for number in range(1, times + 1):
        writer.reset()
        killed, other = rng.sample(commands, 2)
        survivor = subprocess.Popen(
            other, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
        )
        at_work, _ = kill_after(killed, rng.uniform(0.2, seconds))
        kills.killed, kills.at_work = kills.killed + 1, kills.at_work + at_work
        if errors := end_well(survivor, other):
            kills.wrong.append(f"kill {number}: the other ended with {errors}")
        again = subprocess.run(killed, capture_output=True, text=True, timeout=300)
        if again.returncode and "is in the data set already" not in again.stderr:
            kills.wrong.append(f"kill {number}: begun again it ended with {again.stderr}")
        kills.finished += 1
        try:
            if writer.files(writer.folder) != good:
                kills.wrong.append(f"kill {number}: not what both make one after the other")
        except (LabelError, OSError) as error:
            kills.wrong.append(f"kill {number}: damaged: {error}")
    return kills


def kill_one_of_two_adds(folder: Path, times: int, seed: int = 0) -> Kills:
    """Two `crownlet-scans add` of other scans into one data set."""
    pages, data = tiny.pages(folder / "came", 2), folder / "set"

    def scans_of(place: Path) -> Files:
        """Without manifest and datasheet, which hold the order of the changes."""
        return {k: v for k, v in set_files(place).items() if k.startswith("scans/")}

    commands = (add_command(data, pages[0]), add_command(data, pages[1]))
    writer = Writer("", (), data, None, scans_of)
    return kill_one_of_two_writers("two scans add at once", commands, writer, times, seed)


def kill_sheet_or_export(folder: Path, times: int, seed: int = 0) -> Kills:
    """`crownlet sheet` and `crownlet review --export` on one run."""
    writer = export_review(folder)
    commands = (crownlet("sheet", writer.folder), writer.command)
    return kill_one_of_two_writers("sheet and export at once", commands, writer, times, seed)

"""Scans taken out of a data set or moved between its splits, and letters given twice.

That the manifest keeps what was done, and why, is the project's own decision; no outside source.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from PIL import Image

from crownlet.datasets.coco.write import to_coco
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean
from crownlet.datasets.scans.add import ScanSource, add_scans
from crownlet.datasets.scans.check import check_dataset
from crownlet.datasets.scans.manifest import open_scans
from crownlet.train.scans_cli import main


def write_page(folder: Path, seed: int) -> tuple[Path, Path]:
    page = compose(clean(letters=(12, 16), body=(24.0, 24.0)), seed)
    picture, labels = folder / f"p{seed}.png", folder / f"p{seed}.json"
    Image.fromarray(page.image).save(picture)
    labels.write_text(json.dumps(to_coco([page], [picture.name])), encoding="utf-8")
    return picture, labels


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as left:
        main([str(a) for a in arguments])
    return int(left.value.code or 0)


def test_scans_are_moved_and_removed_and_the_manifest_keeps_why(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "set"
    for seed, scroll in ((1, "a"), (2, "a"), (3, "b")):
        picture, labels = write_page(tmp_path, seed)
        source = ScanSource([picture], "train", "rendered", [labels], scroll=scroll)
        assert not add_scans(folder, source)[1]
    one_of_a = Path(open_scans(folder).manifest.scans[0].file).name
    # One page of a scroll whose other page stays: refused, and named.
    assert run("move", folder, one_of_a, "--to", "test", "--because", "tried") == 1
    assert "scroll a is in" in capsys.readouterr().err
    assert open_scans(folder).version == 3
    assert run("move", folder, "a", "--to", "test", "--because", "its hand is measured") == 0
    moved = open_scans(folder)
    assert [scan.split for scan in moved.manifest.scans] == ["test", "test", "train"]
    assert moved.manifest.changes[-1].endswith("moved to test: its hand is measured.")
    assert run("move", folder, "a", "--to", "test", "--because", "again") == 2

    assert run("remove", folder, "b", "--because", "consent withdrawn") == 0
    left = open_scans(folder)
    assert [scan.scroll for scan in left.manifest.scans] == ["a", "a"]
    assert (left.version, len(left.manifest.changes)) == (5, 5)
    assert {len(list((folder / kind).iterdir())) for kind in ("scans", "labels")} == {2}
    assert check_dataset(folder) == []
    assert "consent withdrawn" in (folder / "datasheet.md").read_text("utf-8")
    assert run("remove", folder, "nobody", "--because", "x") == 2
    assert "called 'nobody'" in capsys.readouterr().err
    assert run("remove", folder, "a", "--because", " ") == 2


def test_a_letter_given_twice_is_named(tmp_path: Path) -> None:
    picture, labels = write_page(tmp_path, 1)
    data = json.loads(labels.read_text("utf-8"))
    data["annotations"].append(data["annotations"][3] | {"id": 9999})
    labels.write_text(json.dumps(data), "utf-8")
    source = ScanSource([picture], "train", "rendered", [labels], scroll="a")
    _, wrong = add_scans(tmp_path / "set", source)
    first = data["annotations"][3]["id"]
    assert [w.reason for w in wrong] == [
        f"has the box of annotation {first}: a letter is given twice"
    ]

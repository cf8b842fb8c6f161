"""A data set of scans: what goes in comes out, and every wrong record is named."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.coco.write import to_coco
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import training
from crownlet.datasets.scans.add import merge_labels
from crownlet.datasets.scans.manifest import open_scans, read_manifest
from crownlet.train.scans_cli import main

Json = dict[str, Any]


@pytest.fixture(scope="module")
def pages() -> list[PageTruth]:
    """Pages by two hands, with faults."""
    spec = training(body=(24.0, 30.0), letters=(20, 30), text_rate=0.05)
    return [compose(spec, seed) for seed in (1, 2)]


@pytest.fixture(scope="module")
def source(pages: list[PageTruth], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Pictures `a.png`, `ב.png` and their labels, as a label tool leaves them."""
    folder = tmp_path_factory.mktemp("from a tool")
    names = ["a.png", "ב.png"]
    for page, name in zip(pages, names, strict=True):
        done, data = cv2.imencode(".png", page.image[:, :, ::-1])
        assert done
        (folder / name).write_bytes(data.tobytes())
    for page, name in zip(pages, names, strict=True):
        labels = to_coco([page], [name])
        (folder / f"{name}.json").write_text(json.dumps(labels), encoding="utf-8")
    return folder


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as end:
        main([str(a) for a in arguments])
    return int(end.value.code or 0)


def add(folder: Path, source: Path, name: str, *more: object, split: str = "train") -> int:
    return run(
        "add", folder, "--scans", source / name, "--labels", source / f"{name}.json",
        "--split", split, "--scroll", f"hand of {name}", "--provenance", "rendered", *more,
    )  # fmt: skip


@pytest.fixture(scope="module")
def ready(source: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sets") / "set one"
    assert add(folder, source, "a.png") == 0
    assert add(folder, source, "ב.png", "--licence", "CC0", split="test") == 0
    return folder


@pytest.fixture
def folder(ready: Path, tmp_path: Path) -> Path:
    """A copy to spoil."""
    return Path(shutil.copytree(ready, tmp_path / "set one"))


def test_what_was_added_is_read_back(ready: Path, pages: list[PageTruth]) -> None:
    scans = open_scans(ready)
    assert scans.version == 2
    for split, page in zip(("train", "test"), pages, strict=True):
        (back,) = scans.pages(split)
        assert np.array_equal(back.image, page.image)
        assert [x.letter for x in back.letters] == [x.letter for x in page.letters]
        assert [x.known for x in back.letters] == [x.known for x in page.letters]
        for x, y in zip(back.letters, page.letters, strict=True):
            assert [m.name for m in x.defects] == [m.name for m in y.defects]
    assert back.meta["scroll"] == "hand of ב.png"
    assert run("check", ready) == 0


def test_the_same_additions_give_the_same_bytes(ready: Path, source: Path, tmp_path: Path) -> None:
    again = tmp_path / "set one"
    add(again, source, "a.png")
    add(again, source, "ב.png", "--licence", "CC0", split="test")
    files = {p.relative_to(ready): p.read_bytes() for p in ready.rglob("*") if p.is_file()}
    assert files == {p.relative_to(again): p.read_bytes() for p in again.rglob("*") if p.is_file()}
    assert open_scans(again).checksum == open_scans(ready).checksum


def test_the_datasheet_counts_letters_defects_scrolls_and_splits(
    ready: Path, pages: list[PageTruth]
) -> None:
    text = (ready / "datasheet.md").read_text("utf-8")
    # The section headings of Gebru et al., Datasheets for Datasets (CACM 2021).
    for heading in (
        "Motivation", "Composition", "Collection process", "Preprocessing, cleaning, labelling",
        "Uses", "Distribution", "Maintenance",
    ):  # fmt: skip
        assert f"## {heading}\n" in text
    known = [[x for x in page.letters if x.whole or x.legible] for page in pages]
    assert f"| train | 1 | 1 | 1 | {len(known[0])} |" in text
    assert f"| hand of ב.png | test | 1 | {len(known[1])} |" in text
    yuds = sum(x.letter == "י" for found in known for x in found)
    assert f"| י yud | {yuds} |" in text
    assert "| rendered | CC0 | not said | 1 |" in text


def _double(data: Json) -> None:
    data["annotations"][4]["id"] = data["annotations"][3]["id"]


def _defect(name: str, letter: str) -> Callable[[Json], None]:
    def change(data: Json) -> None:
        ids = {c["letter"]: c["id"] for c in data["categories"]}
        data["annotations"][0].update(category_id=ids[letter])
        data["annotations"][0]["attributes"] = {"defects": {name: {"plainness": 1.0}}}

    return change


CHANGES: list[tuple[Callable[[Json], Any], str]] = [
    (lambda d: d["categories"][3].update(name="digamma"), "category 4: 'digamma' is no letter"),
    (lambda d: d["annotations"][2].update(category_id=99), "annotation 3: has the unknown cat"),
    (_double, "annotation 4: its id is given twice"),
    (lambda d: d["images"].append(d["images"][0]), "image 1: its id is given twice"),
    (lambda d: d["annotations"][0].update(bbox=[9000, 2, 9, 9]), "annotation 1: its box"),
    (lambda d: d["annotations"][0].update(bbox=[5, 2, 0, 9]), "annotation 1: has an empty box"),
    (lambda d: d["annotations"][0].update(bbox=[5, 2, float("nan"), 9]), "annotation 1: has no b"),
    (lambda d: d["annotations"][0].update(image_id=7), "annotation 1: belongs to no image"),
    (lambda d: d["annotations"].clear(), "image 1: no letter is labelled"),
    (lambda d: d["images"][0].update(width=3), "image 1: is said to be 3 x"),
    (lambda d: d["images"][0].update(file_name="gone.png"), "image 1: its picture gone.png is not"),
    # Only letters of shatnez getz carry a crown of zayins (Menachot 29b): vav cannot lack one.
    (_defect("tag_bare", "ו"), "annotation 1: has tag_bare, which vav cannot have"),
    # Two of the letters only are closed rings (Keset HaSofer 5:3).
    (_defect("ring_open", "ב"), "annotation 1: has ring_open, which bet cannot have"),
    (_defect("rust", "ב"), "annotation 1: has the unknown defect 'rust'"),
    (_defect("words_joined", "ב"), "annotation 1: has words_joined, which is no defect of a"),
    (lambda d: d["annotations"][0]["attributes"].update(tags="two"), "annotation 1: tags is 'two'"),
    (
        lambda d: d["annotations"][0]["attributes"].update(
            known=[], defects={"stroke_broken": {"plainness": 1}}
        ),
        "annotation 1: has stroke_broken, which by `known` was not looked for",
    ),
]


@pytest.mark.parametrize(("change", "message"), CHANGES, ids=[m for _, m in CHANGES])
def test_wrong_records_are_named_and_nothing_is_added(
    source: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str],
    change: Callable[[Json], Any], message: str,
) -> None:  # fmt: skip
    data = json.loads((source / "a.png.json").read_text("utf-8"))
    change(data)
    (tmp_path / "labels.json").write_text(json.dumps(data), "utf-8")
    code = run(
        "add", tmp_path / "set", "--scans", source, "--labels", tmp_path / "labels.json",
        "--split", "train", "--scroll", "x", "--provenance", "rendered",
    )  # fmt: skip
    output = capsys.readouterr().err
    assert code == 1
    assert f"labels.json: {message}" in output, output
    assert not (tmp_path / "set").exists()


def test_all_wrong_records_are_named_at_once(
    source: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = json.loads((source / "a.png.json").read_text("utf-8"))
    for annotation in data["annotations"][:5]:
        annotation["bbox"][2] = -1
    (tmp_path / "labels.json").write_text(json.dumps(data), "utf-8")
    shutil.copy(source / "a.png", tmp_path)
    assert run(
        "add", tmp_path / "set", "--scans", tmp_path / "a.png", "--labels",
        tmp_path / "labels.json", "--split", "train", "--scroll", "x", "--provenance", "rendered",
    ) == 1  # fmt: skip
    assert len([x for x in capsys.readouterr().err.splitlines() if "empty box" in x]) == 5


def test_copies_and_scrolls_in_two_splits_are_refused(
    folder: Path, source: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert add(folder, source, "a.png", split="test") == 1
    assert "is in the data set already, as scans/a-" in capsys.readouterr().err
    # The same page saved anew, paler and half as large: another file, the same picture.
    image = cv2.imread(str(source / "a.png"))
    small = cv2.resize(image, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    cv2.imwrite(str(tmp_path / "copy.jpg"), (40 + small * 0.8).astype(np.uint8))
    more = ("--scans", tmp_path / "copy.jpg", "--provenance", "x")
    assert run("add", folder, *more, "--split", "test", "--scroll", "other") == 1
    assert "looks like a copy of scans/a-" in capsys.readouterr().err
    assert run("add", folder, *more, "--split", "calibrate", "--scroll", "hand of ב.png") == 1
    assert "scroll hand of ב.png is in test already" in capsys.readouterr().err
    assert run("add", folder, *more, "--split", "train", "--scroll", "hand of a.png") == 0


def test_changes_behind_the_manifests_back_are_named(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first, second = read_manifest(folder).scans
    labels = folder / str(first.labels)
    data = json.loads(labels.read_text("utf-8"))
    data["annotations"][7]["bbox"][0] = -50
    labels.write_text(json.dumps(data), "utf-8")
    (folder / second.file).write_bytes(b"\x89PNG no more")
    shutil.copy(labels, folder / "scans" / "stranger.png")
    assert run("check", folder) == 1
    output = capsys.readouterr().err.splitlines()
    assert f"{first.labels}: has changed: its checksum is another" in output
    assert any(line.startswith(f"{first.labels}: annotation 8: its box [-50") for line in output)
    assert any(line.startswith(f"{second.file}: ") for line in output)
    assert "scans/stranger.png: is not listed in manifest.yaml" in output
    with pytest.raises(ValueError, match="has changed since it was added"):
        list(open_scans(folder).pages("train"))


def test_new_labels_keep_what_nobody_looked_at_again(folder: Path, source: Path) -> None:
    """A review asked one thing of one letter, and lists the others without a word."""
    data = json.loads((source / "a.png.json").read_text("utf-8"))
    for number, annotation in enumerate(data["annotations"]):
        asked = {"known": ["ink_lost"], "defects": {"ink_lost": {"plainness": 1.0}}}
        annotation["attributes"] = (
            asked if number == 3 else {"letter_known": False, "known": [], "defects": {}}
        )
    labels = source / "anew.json"
    labels.write_text(json.dumps(data), "utf-8")
    more = ("--split", "train", "--scroll", "hand of a.png", "--provenance", "a review")
    before = next(open_scans(folder).pages("train"))
    assert run("add", folder, "--scans", source, "--labels", labels, *more, "--renew") == 0
    after = next(open_scans(folder).pages("train"))
    labels.unlink()
    asked, others = after.letters[3], [k for k in range(len(before.letters)) if k != 3]
    for letters in (lambda p: p.defects, lambda p: p.tags, lambda p: p.known, lambda p: p.box):
        assert [letters(after.letters[k]) for k in others] == [
            letters(before.letters[k]) for k in others
        ]
    names = {m.name for m in before.letters[3].defects}
    assert {m.name for m in asked.defects} == names | {"ink_lost"}
    assert asked.known is None  # the renderer knows all faults; the review took none of that away
    assert run("check", folder) == 0
    assert open_scans(folder).version == 3


def test_only_what_an_earlier_manifest_named_is_deleted(
    folder: Path, source: Path, tmp_path: Path
) -> None:
    """No source: files that the tool did not write are not its own to delete (common practice)."""
    given = folder / "labels" / "given.json"
    shutil.copy(source / "a.png.json", given)
    strangers = [given, folder / "labels" / "notes.md", folder / "texts" / "mine.txt"]
    for path in strangers[1:]:
        path.parent.mkdir(exist_ok=True)
        path.write_text("mine", "utf-8")
    held = [path.read_bytes() for path in strangers]
    more = ("--split", "train", "--scroll", "hand of a.png", "--provenance", "rendered")
    own = tmp_path / "own set"
    shutil.copytree(folder / "labels", own / "labels")
    in_own = own / "labels" / "given.json"
    assert run("add", own, "--scans", source / "a.png", "--labels", in_own, *more) == 0
    assert in_own.read_bytes() == held[0]
    assert run("check", own) == 0
    # New labels of a page that is there: those that the last version named go, nothing else does.
    first, second = (str(scan.labels) for scan in read_manifest(folder).scans)
    data = json.loads(given.read_text("utf-8"))
    data["annotations"][0]["bbox"][0] += 1
    given.write_text(json.dumps(data), "utf-8")
    held[0] = given.read_bytes()
    assert run("add", folder, "--scans", source / "a.png", "--labels", given, *more, "--renew") == 0
    assert [path.read_bytes() for path in strangers] == held
    assert not (folder / first).exists()
    assert {str(scan.labels) for scan in read_manifest(folder).scans} - {first} > {second}
    assert all((folder / str(scan.labels)).is_file() for scan in read_manifest(folder).scans)
    assert run("check", folder) == 0


@pytest.mark.parametrize(
    ("was", "now", "known", "defects"),
    [
        # Letters by the text, then a review; then another; then one that takes a fault back.
        (([], []), (["ink_lost"], ["ink_lost"]), ["ink_lost"], ["ink_lost"]),
        ((["ink_lost"], ["ink_lost"]), (["leg_long"], []), ["ink_lost", "leg_long"], ["ink_lost"]),
        ((["ink_lost"], ["ink_lost"]), (["ink_lost"], []), ["ink_lost"], []),
    ],
)
def test_reviews_add_to_each_other(
    was: tuple[list[str], list[str]], now: tuple[list[str], list[str]], known: list[str],
    defects: list[str],
) -> None:  # fmt: skip
    def labels(asked: list[str], there: list[str]) -> Json:
        own = {"known": asked, "defects": {name: {"plainness": 1.0} for name in there}}
        letter = {"id": 1, "image_id": 1, "category_id": 4, "bbox": [5, 5, 20, 20]}
        return {
            "categories": [{"id": 4, "name": "vav"}],
            "annotations": [letter | {"attributes": own}],
        }

    (joined,) = merge_labels(labels(*was), labels(*now))["annotations"]
    assert joined["attributes"]["known"] == known
    assert list(joined["attributes"]["defects"]) == defects


def test_plain_labels_of_other_tools_say_nothing_of_defects(source: Path, tmp_path: Path) -> None:
    data = json.loads((source / "a.png.json").read_text("utf-8"))
    for annotation in data["annotations"]:
        del annotation["attributes"], annotation["segmentation"]
    for category in data["categories"]:
        category["name"] = category.pop("letter")  # the character itself
    (tmp_path / "plain.json").write_text(json.dumps(data), "utf-8")
    assert run(
        "add", tmp_path / "set", "--scans", source / "a.png", "--labels", tmp_path / "plain.json",
        "--split", "train", "--scroll", "s", "--provenance", "another tool",
    ) == 0  # fmt: skip
    (page,) = open_scans(tmp_path / "set").pages("train")
    assert {x.known for x in page.letters} == {()}
    assert {x.tags for x in page.letters} == {-1}
    assert "| letters only, as given | 1 |" in (tmp_path / "set" / "datasheet.md").read_text(
        "utf-8"
    )


def test_folders_that_are_none_are_stated_in_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("check", tmp_path) == 2
    assert capsys.readouterr().err == (
        f"crownlet-scans: {tmp_path} is no data set: it has no manifest.yaml\n"
    )
    (tmp_path / "manifest.yaml").write_text("format: 1\nscans: [", "utf-8")
    assert run("check", tmp_path) == 2
    assert "manifest.yaml is not YAML" in capsys.readouterr().err
    inside = "{file: ../x.png, sha256: a, likeness: a, scroll: s, split: train, provenance: p}"
    text = f"format: 1\nversion: 0\nchanges: []\nscans: [{inside}]\n"
    (tmp_path / "manifest.yaml").write_text(text, "utf-8")
    assert run("check", tmp_path) == 2
    assert "scan 1 lies outside the data set: ../x.png" in capsys.readouterr().err
    assert run("choose", tmp_path) == 2
    assert capsys.readouterr().err.startswith(f"crownlet-scans: {tmp_path}")


def test_pictures_that_cannot_be_read_are_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "a.png").write_bytes(b"no picture")
    more = ("--split", "train", "--scroll", "s", "--provenance", "x")
    assert run("add", tmp_path / "set", "--scans", tmp_path, *more) == 1
    assert f"{tmp_path / 'a.png'}: is not a PNG, JPEG" in capsys.readouterr().err

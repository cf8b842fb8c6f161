"""COCO labels: the reference evaluator reads them, and they come back as they went out."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from faster_coco_eval import COCO, COCOeval_faster

from crownlet.datasets.coco.read import LabelError, estimate_bodies, group_lines, load_coco
from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.coco.write import to_coco
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean, training

Json = dict[str, Any]


@pytest.fixture(scope="module")
def pages() -> list[PageTruth]:
    """Two pages with faults, one of them turned, and one without any letter."""
    spec = training(body=(24.0, 30.0), text_rate=0.05, gap_rate=0.1)
    blank = PageTruth(np.full((40, 60, 3), 200, np.uint8), ())
    return [compose(spec, 1), blank, compose(training(body=(24.0, 30.0), turn=90), 2)]


@pytest.fixture
def folder(pages: list[PageTruth], tmp_path: Path) -> Path:
    (tmp_path / "images").mkdir()
    for i, page in enumerate(pages):
        cv2.imwrite(str(tmp_path / "images" / f"{i:06d}.png"), page.image[:, :, ::-1])
    (tmp_path / "annotations.json").write_text(json.dumps(to_coco(pages)), encoding="utf-8")
    return tmp_path


def test_what_goes_out_comes_back(pages: list[PageTruth], folder: Path) -> None:
    back = load_coco(folder / "annotations.json")
    assert len(back) == len(pages) == 3
    for page, read in zip(pages, back, strict=True):
        assert np.array_equal(page.image, read.image)
        assert page.missing == read.missing and page.meta == read.meta
        assert len(page.gaps) == len(read.gaps)
        for a, b in zip(page.gaps, read.gaps, strict=True):
            assert (a.right, a.left, a.expected) == (b.right, b.left, b.expected)
            assert a.width_q == pytest.approx(b.width_q, abs=0.001)
        for x, y in zip(page.letters, read.letters, strict=True):
            for name in ("letter", "expected", "line", "word", "place", "tags", "whole"):
                assert getattr(x, name) == getattr(y, name)
            assert x.box == pytest.approx(y.box, abs=0.01)
            assert x.body == pytest.approx(y.body, abs=0.01)
            assert [(m.name, m.parts) for m in x.defects] == [(m.name, m.parts) for m in y.defects]
            assert [m.size for m in x.defects] == pytest.approx(
                [m.size for m in y.defects], abs=0.001
            )
            for p, r in zip(x.parts, y.parts, strict=True):
                assert (p.name, p.kind) == (r.name, r.kind)
                assert np.abs(p.polygon - r.polygon).max() < 0.01


def test_the_reference_evaluator_gives_full_marks_to_the_labels_themselves(folder: Path) -> None:
    labels = COCO(str(folder / "annotations.json"))
    assert len(labels.cats) == 27
    for kind in ("bbox", "segm"):
        own = [{k: r[k] for k in ("image_id", "category_id")} for r in labels.anns.values()]
        for result, annotation in zip(own, labels.anns.values(), strict=True):
            result["score"] = 0.9
            if kind == "bbox":
                result["bbox"] = annotation["bbox"]
            else:
                result["segmentation"] = labels.annToRLE(annotation)
        found = labels.loadRes(own)
        evaluation = COCOeval_faster(labels, found, iouType=kind)
        evaluation.params.maxDets = [1, 10, 1000]
        evaluation.evaluate()
        evaluation.accumulate()
        evaluation.summarize()
        assert evaluation.stats[0] == pytest.approx(1.0, abs=1e-6), kind


def test_areas_are_those_of_the_reference_masks(folder: Path) -> None:
    # The union of the parts by the reference's own run-length masks.
    labels = COCO(str(folder / "annotations.json"))
    areas = [(float(labels.annToMask(r).sum()), r["area"]) for r in labels.anns.values()]
    mask, ours = np.array(areas).T
    assert np.median(np.abs(mask - ours) / mask) < 0.1


def _change(folder: Path, change: Callable[[Json], None]) -> Path:
    path = folder / "annotations.json"
    data = json.loads(path.read_text(encoding="utf-8"))
    change(data)
    path.write_text(json.dumps(data), encoding="utf-8")
    return path


def _double(data: Json) -> None:
    data["annotations"][4]["id"] = data["annotations"][3]["id"]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (
            lambda d: d["categories"][3].update(name="digamma"),
            "category 4, 'digamma', is no letter",
        ),
        (lambda d: d["annotations"][2].update(category_id=99), "annotation 3 has the unknown"),
        (_double, "two annotations have the id 4"),
        (lambda d: d["images"][1].update(id=1), "two images have the id 1"),
        (lambda d: d["annotations"][0].update(bbox=[-30, 2, 9, 9]), "annotation 1: its box"),
        (lambda d: d["annotations"][0].update(bbox=[5, 2, 0, 9]), "annotation 1 has an empty box"),
        (lambda d: d["annotations"][0].pop("bbox"), "annotation 1 has no bbox"),
        (lambda d: d["annotations"][0].update(image_id=7), "annotation 1 belongs to no image"),
        (lambda d: d["images"][2].update(file_name="gone.png"), "image 3, gone.png, is not in"),
        (lambda d: d.pop("images"), "no COCO labels"),
    ],
)
def test_mistakes_are_named_by_their_record(
    folder: Path, change: Callable[[Json], None], message: str
) -> None:
    path = _change(folder, change)
    with pytest.raises(LabelError, match=message):
        load_coco(path)


def test_damaged_files_are_named(folder: Path) -> None:
    (folder / "images" / "000002.png").write_bytes(b"\x89PNG no more")
    pages = load_coco(folder / "annotations.json")
    with pytest.raises(LabelError, match=r"000002\.png is not an image"):
        pages[2]
    (folder / "annotations.json").write_text("{", encoding="utf-8")
    with pytest.raises(LabelError, match="is not JSON"):
        load_coco(folder / "annotations.json")


def test_labels_of_other_tools_need_boxes_and_letters_only(folder: Path) -> None:
    def bare(data: Json) -> None:
        for annotation in data["annotations"]:
            del annotation["attributes"], annotation["segmentation"]
        for image in data["images"]:
            del image["crownlet"]

    pages = load_coco(_change(folder, bare))
    assert len(pages[1].letters) == 0
    assert all(x.tags == -1 and not x.defects and not x.parts for x in pages[0].letters)
    assert all(x.body[2] > 0 for x in pages[0].letters)


def test_defects_of_older_labels_have_the_names_of_today(folder: Path) -> None:
    """The names are those of this project's own labels, no outside source."""

    def name_as_before(data: Json) -> None:
        marks = {"yud_astray": {"size": 1.0, "plainness": 1.0}}
        data["annotations"][0]["attributes"] |= {"defects": marks, "known": ["yud_astray"]}

    letter = load_coco(_change(folder, name_as_before))[0].letters[0]
    assert [mark.name for mark in letter.defects] == ["yud_misplaced"]
    assert letter.known == ("yud_misplaced",)


def test_bodies_are_found_from_boxes_to_a_tenth_of_their_height() -> None:
    page = compose(clean(body=(60.0, 60.0), margin=(3.0, 3.0)), 6)
    letters = [x.letter for x in page.letters]
    boxes = [x.box for x in page.letters]
    true = np.array([x.body for x in page.letters])
    for lines in ([x.line for x in page.letters], [-1] * len(letters)):
        found = np.array(estimate_bodies(letters, boxes, lines))
        error = np.abs(found - true)[:, :3] / 60.0
        assert np.quantile(error, 0.9, axis=0).max() < 0.1
    lines = group_lines(np.array(boxes))
    assert lines.tolist() == [x.line for x in page.letters]

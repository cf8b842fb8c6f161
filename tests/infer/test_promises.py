"""A promise in `thresholds.yaml`, from the file to the record of a page."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import blocks
import pytest
import yaml

from crownlet.infer.inspector import Inspector
from crownlet.infer.networks import ModelError
from crownlet.infer.run import write as writer
from crownlet.infer.thresholds import load_thresholds

MODEL = {"locator.onnx": "aa", "assessor.onnx": "bb"}


def fitted(**changes: Any) -> dict[str, Any]:
    row = {
        "cleared_at_most": 0.01, "findings_true_at_least": 0.95, "confidence": 0.95,
        "scrolls": 700, "scrolls_with_findings": 500, "cases": 1400, "bound": "betting",
    }  # fmt: skip
    half = {**row, "cleared_at_most": None}
    data = {
        "version": "x", "provenance": "y",
        "promise": {
            "unit": "scroll", "confidence": 0.95, "of": "each alone",
            "calibration": {"source": "renders", "scrolls": 900, "model": MODEL},
            "limits": ["It is a promise over renders."], "load": {"letters_to_review": 0.05},
        },
        "defects": {
            "ring_open": {"clear": 0.003, "finding": 0.8, "promise": row},
            "heel_missing": {"clear": 0.003, "finding": 0.8, "promise": half},
            "foot_level": {"clear": 0.02, "finding": 0.95, "promise": "none"},
        },
    }  # fmt: skip
    return data | changes


def write(folder: Path, data: dict[str, Any]) -> Path:
    (folder / "thresholds.yaml").write_text(yaml.safe_dump(data), encoding="utf-8")
    return folder


def test_a_promised_border_is_used_as_it_stands(tmp_path: Path) -> None:
    limits = load_thresholds(write(tmp_path, fitted()))
    # Issue 3, item 7: a floor above `clear` would break the promise.
    assert limits.of("ring_open").clear == 0.003
    assert limits.of("heel_missing").clear == max(0.003, limits.review_floor)
    assert limits.promise is not None
    assert limits.promise.defects["foot_level"] is None
    made = limits.promise.defects["ring_open"]
    assert made is not None
    assert (made.cleared_at_most, made.findings_true_at_least) == (0.01, 0.95)


def test_the_promise_its_calibration_and_its_limits_stand_in_page_json(tmp_path: Path) -> None:
    # Issue 3, item 7: "the promise, its calibration set and its limits stand in page.json".
    networks = blocks.BlockNetworks()
    own = fitted()
    own["promise"]["calibration"]["model"] = dict(networks.info.checksums)
    image, _ = blocks.page(["שמע ישראל"], 12.0)
    values = page_json(write(tmp_path, own), networks, image, tmp_path / "run")
    assert values["confidence"] == 0.95
    assert values["calibration"]["scrolls"] == 900
    assert values["limits"] == ["It is a promise over renders."]
    assert values["defects"]["ring_open"]["cleared_at_most"] == 0.01
    assert values["defects"]["heel_missing"]["cleared_at_most"] is None
    assert values["defects"]["foot_level"] == "none"


def test_nothing_is_promised_of_other_networks(tmp_path: Path) -> None:
    own = fitted()
    own["promise"]["calibration"]["model"] = {"locator.onnx": "of another day"}
    networks = blocks.BlockNetworks()
    image, _ = blocks.page(["שמע ישראל"], 12.0)
    values = page_json(write(tmp_path, own), networks, image, tmp_path / "run")
    assert list(values) == ["note"]
    assert "other networks" in values["note"]


def page_json(folder: Path, networks: Any, image: Any, run: Path) -> Any:
    inspector = Inspector(folder, networks=networks)
    page = writer.write_page(inspector.inspect(image, name="page"), run)
    return json.loads((page / "page.json").read_text("utf-8"))["versions"]["thresholds"]["promise"]


@pytest.mark.parametrize(
    ("change", "cause"),
    [
        ({"promise": "none"}, "without a promise at the head"),
        ({"promise": {"confidence": 0.95}}, "of"),
        ({"defects": {"ring_open": {"clear": 0.1, "finding": 0.8, "promise": {}}}}, "cleared"),
        ({"defects": {"ring_open": {"clear": 0.1, "finding": 0.8, "promise": {
            "cleared_at_most": 3, "findings_true_at_least": 0.9, "scrolls": 1, "cases": 1}}}},
         "between 0 and 1"),
    ],
)  # fmt: skip
def test_a_misstated_promise_is_named(tmp_path: Path, change: Any, cause: str) -> None:
    with pytest.raises(ModelError, match=cause):
        load_thresholds(write(tmp_path, fitted(**change)))


def test_a_file_without_promises_makes_none(tmp_path: Path) -> None:
    old = {"version": "x", "provenance": "y", "defects": {"ring_open": {"clear": 0.1,
           "finding": 0.9}}}  # fmt: skip
    limits = load_thresholds(write(tmp_path, old))
    assert limits.promise is None
    assert limits.of("ring_open").clear == 0.1

"""Models, thresholds, customs and manifests of strangers: one sentence with the file, or a line.

Sources: ONNX, "External Data" (a tensor may lie in another file); yaml.org, YAML 1.1 (anchors,
tags, timestamps); OWASP, CSV Injection (which first characters make a formula).
"""

from __future__ import annotations

import hashlib
import os
import resource
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import onnx
import pytest
from onnx import TensorProto, helper, numpy_helper

from crownlet.datasets.coco.read import LabelError, load_coco
from crownlet.datasets.files.atomic import quote_formula, unquote_formula
from crownlet.datasets.files.documents import parse_json, parse_yaml, read_small_file
from crownlet.datasets.files.images import PageError, read_page
from crownlet.datasets.scans.imports import read_written_page
from crownlet.datasets.scans.manifest import read_manifest
from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.networks import ModelError, OnnxNetworks, weights_folder
from crownlet.infer.thresholds import load_thresholds
from crownlet.models.external_data import has_external_data

BOMB = "a: &a [1,2,3,4,5,6,7,8,9]\n" + "".join(
    f"{new}: &{new} [{','.join([f'*{old}'] * 9)}]\n"
    for old, new in zip("abcdefgh", "bcdefghi", strict=True)
)
"""Each line stands for nine times the one before it ("billion laughs")."""


@pytest.fixture
def model(tmp_path: Path) -> Path:
    folder = tmp_path / "model"
    shutil.copytree(weights_folder(), folder)
    return folder


def seal(folder: Path) -> None:
    rows = [f"{hashlib.sha256((folder / n).read_bytes()).hexdigest()}  {n}\n"
            for n in ("locator.onnx", "assessor.onnx")]  # fmt: skip
    (folder / "checksums.sha256").write_text("".join(rows))


def refused(path: Path, call: Callable[[], object], *words: str) -> None:
    with pytest.raises((ModelError, ValueError)) as error:
        call()
    text = str(error.value)
    assert str(path) in text and len(text.splitlines()) == 1 and len(text) < 600
    assert all(word in text for word in words), text


def test_numbers_of_another_file_are_refused(model: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = model / "assessor.onnx"
    onnx.save_model(
        onnx.load(path), path, save_as_external_data=True, location="outside.bin",
        size_threshold=100,
    )  # fmt: skip
    seal(model)
    # ONNX Runtime looks in the current folder when a model comes from memory.
    monkeypatch.chdir(model)
    refused(path, lambda: OnnxNetworks(model), "another file")


@pytest.mark.parametrize("where", ["graph", "attribute", "subgraph", "sparse", "function"])
def test_a_tensor_anywhere_is_found(where: str) -> None:
    tensor = numpy_helper.from_array(np.zeros(4, np.float32), "t")
    plain = helper.make_tensor_value_info("x", TensorProto.FLOAT, [4])
    tensor.ClearField("raw_data")
    tensor.data_location = TensorProto.EXTERNAL
    tensor.external_data.add(key="location", value="outside.bin")
    constant = helper.make_node("Constant", [], ["x"], value=tensor)
    inner = helper.make_graph([constant], "inner", [], [plain])
    node = helper.make_node("If", ["c"], ["x"], then_branch=inner, else_branch=inner)
    nodes = {"attribute": [constant], "subgraph": [node]}.get(where, [])
    graph = helper.make_graph(nodes, "g", [], [plain])
    if where == "graph":
        graph.initializer.append(tensor)
    if where == "sparse":
        graph.sparse_initializer.add().values.CopyFrom(tensor)
    model = helper.make_model(graph)
    if where == "function":
        model.functions.append(
            helper.make_function("d", "f", [], ["x"], [constant], [helper.make_opsetid("", 17)])
        )
    assert has_external_data(model.SerializeToString())


def test_the_shipped_networks_hold_all_their_numbers() -> None:
    for name in ("locator.onnx", "assessor.onnx"):
        assert not has_external_data((weights_folder() / name).read_bytes())


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("letters", "abcdefghijklmnopqrstuvwxyz!"), ("letters", LETTERS[::-1]), ("letters", "5"),
        ("letters", '{"a": 1}'), ("defects", '["tag_missing"]'), ("defects", "[" * 5000),
        ("defects", "doubled"), ("defects", "strange"), ("parts", '["ink", "ink"]'),
    ],
)  # fmt: skip
def test_names_that_are_none_are_refused(model: Path, key: str, value: str) -> None:
    path = model / "assessor.onnx"
    network = onnx.load(path)
    held = {prop.key: prop for prop in network.metadata_props}
    names = parse_json(held["defects"].value)
    if value == "doubled":
        value = str([names[0], *names[:-1]]).replace("'", '"')
    elif value == "strange":
        value = str(["crooked", *names[1:]]).replace("'", '"')
    held[key].value = value
    onnx.save(network, path)
    seal(model)
    refused(path, lambda: OnnxNetworks(model))


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        ("routing.yaml", "review_floor: ", "review_floor: .nan #"),
        ("routing.yaml", "class_weight: ", "class_weight: .nan #"),
        ("routing.yaml", "bias: ", "bias: .inf #"),
        ("routing.yaml", "slope: ", "slope: .nan #"),
        ("routing.yaml", "nearly_all: ", "nearly_all: .nan #"),
        ("routing.yaml", "surprise: ", "surprise: -.inf #"),
        ("thresholds.yaml", "version: ", f"{BOMB}version: *i #"),
        ("thresholds.yaml", "version: ", "version: !!timestamp 2026-01-01 #"),
        ("thresholds.yaml", "version: ", "version: " + "[" * 200 + "#"),
        ("thresholds.yaml", "version: ", "version: !!python/object:os.system #"),
    ],
)  # fmt: skip
def test_thresholds_that_are_none_are_refused(model: Path, file: str, old: str, new: str) -> None:
    path = model / file
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), "utf-8")
    refused(path, lambda: load_thresholds(model))


@pytest.mark.parametrize("name", ["locator.onnx", "checksums.sha256", "thresholds.yaml"])
def test_a_pipe_is_no_model(model: Path, name: str) -> None:
    (model / name).unlink()
    os.mkfifo(model / name)
    refused(model / name, lambda: (OnnxNetworks(model), load_thresholds(model)))


def test_a_date_is_text() -> None:
    assert parse_yaml(b"made: 2026-01-01\nn: 1\nx: 1.5\nnone: ~") == {
        "made": "2026-01-01", "n": 1, "x": 1.5, "none": None,
    }  # fmt: skip


YAMLS = (
    BOMB,
    "a: !!timestamp x",
    "a: !!binary eA==",
    "a: *b",
    "{" * 5000,
    "a: [1",
    "\x00",
    "- a: b\n c",
)


@pytest.mark.parametrize(
    "text", ['"\\ud800"', '["a", "\\uDFFFb"]', '{"\\udbff": 1}', '"\\ud800x\\udc00"']
)
def test_half_a_surrogate_pair_is_no_text(text: str) -> None:
    """RFC 8259, section 8.2: software that meets one is unpredictable."""
    for data in (text, text.encode(), text.encode("utf-16")):
        with pytest.raises(ValueError, match="surrogates not allowed"):
            parse_json(data)
    assert parse_json(b'"\\ud83d\\ude00 \\\\ud800"') == "\U0001f600 \\ud800"


def test_a_whole_number_larger_than_any_float_is_no_number() -> None:
    """The largest binary64 has 309 digits (IEEE 754); RFC 8259, section 6, warns of larger ones."""
    for text in ("9" * 309, "-" + "9" * 400, f'{{"a": [1, {"9" * 309}]}}'):
        with pytest.raises(ValueError, match="digits is too large"):
            parse_json(text)
    assert parse_json("9" * 308) == int("9" * 308)
    assert parse_json('"' + "9" * 400 + '"') == "9" * 400


@pytest.mark.parametrize("text", YAMLS)
def test_yaml_that_is_not_read_names_its_file(tmp_path: Path, text: str) -> None:
    customs = tmp_path / "customs.yaml"
    customs.write_text(text)
    refused(customs, lambda: load_customs(customs))
    manifest = tmp_path / "manifest.yaml"
    manifest.write_text(text)
    refused(manifest, lambda: read_manifest(tmp_path))


def test_a_few_bytes_do_not_fill_the_memory(tmp_path: Path) -> None:
    path = tmp_path / "c.yaml"
    path.write_text(BOMB)
    code = (
        "import pathlib, sys; from crownlet.datasets.scribal.customs import load_customs\n"
        "try: load_customs(sys.argv[1])\nexcept ValueError: pass\n"
        "rows = pathlib.Path('/proc/self/status').read_text().splitlines()\n"
        "print(next(row.split()[1] for row in rows if row.startswith('VmHWM')))"
    )
    out = subprocess.check_output([sys.executable, "-c", code, str(path)], timeout=300)
    assert int(out) < 400_000  # kB, of which numpy and OpenCV are most (VmHWM, proc(5))


def test_labels_of_strangers(tmp_path: Path) -> None:
    path = tmp_path / "labels.json"
    for text in (
        "[" * 100_000, '{"images": ' + "[" * 100_000,
        '{"images": [{"id": 1, "crownlet": {"meta": [1]}}]}',
    ):  # fmt: skip
        path.write_text(text)
        with pytest.raises(LabelError) as error:
            load_coco(path)
        assert str(path) in str(error.value)


def test_a_digit_that_is_no_number_in_a_reading_order(tmp_path: Path) -> None:
    path = tmp_path / "page.xml"
    path.write_text(
        '<PcGts><Page imageFilename="a" imageWidth="9" imageHeight="9"><ReadingOrder>'
        '<OrderedGroup><RegionRefIndexed index="²" regionRef="r"/></OrderedGroup></ReadingOrder>'
        '<TextRegion id="r"><TextLine id="l"><TextEquiv><Unicode>שמע</Unicode></TextEquiv>'
        "</TextLine></TextRegion></Page></PcGts>", "utf-8",
    )  # fmt: skip
    assert read_written_page(path).text == "שמע\n"


@pytest.mark.parametrize(
    "text",
    ['=HYPERLINK("http://x")', "+1", "-2+3", "@SUM(1)", "\t=1", "'=1", "''+", "plain", "'s", ""],
)
def test_formulas_are_quoted_and_come_back(text: str) -> None:
    cell = quote_formula(text)
    assert not cell.startswith(("=", "+", "-", "@", "\t", "\r"))
    assert unquote_formula(cell) == text


def test_a_pipe_or_a_large_file_is_not_read(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(OSError, match="no regular file"):
        read_small_file(tmp_path / "pipe", 10)
    with (tmp_path / "large").open("wb") as file:
        file.truncate(6_000_000_000)
    with pytest.raises(OSError, match="larger than"):
        read_small_file(tmp_path / "large", 1000)


def test_the_size_of_a_picture_is_asked_before_it_is_read(tmp_path: Path) -> None:
    path = tmp_path / "sparse.tif"
    with path.open("wb") as file:
        file.write(b"II*\0")
        file.truncate(6_000_000_000)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(PageError, match=r"sparse\.tif: the file is too large \(6\.0 GB"):
        read_page(path)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 10_000

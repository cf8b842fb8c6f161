"""The bench: what it counts, checked by hand and by the onnx package; a run on a small page."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import onnx
import pytest

from crownlet.infer.image import crops
from crownlet.infer.networks import weights_folder
from crownlet.train.bench import million, pairs
from crownlet.train.bench.__main__ import main
from crownlet.train.bench.baseline import error_rate, keep_letters
from crownlet.train.bench.networks import (
    PEAK_BATCH,
    PEAK_CHANNELS,
    PEAK_LAYERS,
    PEAK_SIDE_PX,
    build_convolutions,
    measure_peak,
    operations_per_crop,
)

NETWORK_STAGES = ("size", "locate", "assess")


@pytest.mark.parametrize(("integers", "operator"), [(False, "Conv"), (True, "QLinearConv")])
def test_stack_of_convolutions_is_a_model_that_the_onnx_package_accepts(
    integers: bool, operator: str
) -> None:
    model = onnx.load_from_string(build_convolutions(integers))
    onnx.checker.check_model(model, full_check=True)
    assert [node.op_type for node in model.graph.node] == [operator] * PEAK_LAYERS
    shape = model.graph.output[0].type.tensor_type.shape.dim
    assert [size.dim_value for size in shape] == [
        PEAK_BATCH,
        PEAK_CHANNELS,
        PEAK_SIDE_PX,
        PEAK_SIDE_PX,
    ]


@pytest.mark.parametrize("integers", [False, True])
def test_peak_is_that_of_a_processor(integers: bool) -> None:
    # One core of any processor of the last ten years: 1 to 1000 billion a second, integers 4 times.
    assert 1e9 < measure_peak(threads=1, repeats=1, integers=integers) < 4e12


def test_operations_of_the_assessor_by_onnx_shape_inference() -> None:
    """2 x outputs x inputs of each (Goodfellow et al. 2016, 9.1), shapes from the onnx package."""
    model = onnx.load(weights_folder() / "assessor.onnx")
    model.graph.input[0].type.tensor_type.shape.dim[0].dim_value = 1
    sizes = [1, 2, crops.CROP_HEIGHT_PX, crops.CROP_WIDTH_PX]
    assert [d.dim_value for d in model.graph.input[0].type.tensor_type.shape.dim] == sizes
    graph = onnx.shape_inference.infer_shapes(model, data_prop=True).graph
    shown = {v.name: v.type.tensor_type.shape.dim for v in [*graph.value_info, *graph.output]}
    # Weights in integers come out of a node, the others out of the file.
    weights = {name: [d.dim_value for d in dims] for name, dims in shown.items()}
    weights |= {w.name: list(w.dims) for w in graph.initializer}
    total = 0
    for node in graph.node:
        if node.op_type == "Conv":
            area = [d.dim_value for d in shown[node.output[0]]][2:]
            total += 2 * int(np.prod(area)) * int(np.prod(weights[node.input[1]]))
        elif node.op_type == "Gemm":
            total += 2 * int(np.prod(weights[node.input[1]]))
    assert operations_per_crop(weights_folder()) == total


@pytest.mark.parametrize(
    ("read", "written", "edits"),
    [
        ("", "שמע", 3),
        ("שמע", "שמע", 0),
        ("שמעע", "שמע", 1),
        ("אהבת", "ואהבת", 1),
        ("מגן", "נגמ", 2),
    ],
)
def test_letter_errors_are_counted_as_levenshtein_defines_them(
    read: str, written: str, edits: int
) -> None:
    """Counted by hand by the definition of 1966: letters put in, left out or exchanged."""
    assert error_rate(read, written) == edits / len(written)


def test_points_and_signs_are_no_letters() -> None:
    assert keep_letters("וְאָהַבְתָּ את\n:x") == "ואהבתאת"


def test_a_run_writes_table_and_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from crownlet.train.evaluation.type_pages import TypeSpec, compose_type_page

    page = compose_type_page(TypeSpec("ashkenaz", "mezuzah", 32.0)).image[:330]
    path, out = tmp_path / "שתי שורות.png", tmp_path / "figures.json"
    cv2.imencode(".png", page)[1].tofile(path)
    assert main([str(path), "--repeats", "1", "--alone", "--json", str(out)]) == 0
    facts = json.loads(out.read_text(encoding="utf-8"))
    assert facts["page"]["letters"] > 50
    stages = facts["warm"]["stages_s"]
    # Stages by the clock lie within the page, and what lies between them is little.
    page_s = facts["warm"]["page_s"]
    assert 0.5 * page_s < sum(stages.values()) <= 1.001 * page_s
    assert facts["memory"]["peak_mb"] > facts["memory"]["ready_mb"] > 20
    assert facts["letter_error_rate"] > 0.5  # Most of the mezuzah is not on these lines.
    assert f"{facts['page']['letters']} letters" in capsys.readouterr().out


def test_memory_is_that_of_a_process_without_the_training_libraries() -> None:
    """Modules loaded by the process that the bench measures, as Python lists them."""
    code = (
        "import sys\n"
        "from crownlet.train.bench import fresh_process\n"
        "from crownlet.infer import Inspector, collect_findings, write_page\n"
        "print(*({'torch', 'scipy', 'matplotlib', 'onnx'} & set(sys.modules)))"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.split() == []


def test_the_reckoning_of_a_million_pages_is_that_of_its_page_time(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    text = Path(million.__file__).with_name("million_pages.md").read_text(encoding="utf-8")
    (seconds,) = re.findall(r"bench\.million --seconds ([\d.]+)", text)
    assert f"**{seconds} s**" in text
    monkeypatch.setattr(sys, "argv", ["million", "--seconds", seconds])
    million.main()
    message = capsys.readouterr().out.splitlines()
    assert [line for line in message if line.startswith("|") and line not in text] == []
    assert f"core hours: {float(seconds) * 1e6 / 3600:.0f}" in message
    assert f"| core hours | {float(seconds) * 1e6 / 3600:.0f} |" in text


def test_pairs_change_who_is_first_and_compare_within_a_pair() -> None:
    """A machine that slows down tenfold halfway leaves the ratio as it is: by the definition."""
    order: list[str] = []

    def turn(name: str, cpu: float) -> pairs.Turn:
        order.append(name)
        return pairs.Turn(cpu * (10.0 if len(order) > 4 else 1.0), 1.0, {"read": cpu})

    done = pairs.alternate(lambda: turn("a", 1.0), lambda: turn("b", 3.0), 4)
    assert order == ["a", "b", "b", "a", "a", "b", "b", "a"]
    facts = pairs.compare(done)
    assert facts["ratio"] == pytest.approx(3.0)
    assert facts["stages_s"] == {"read": (1.0, 3.0)}
    assert "3.00 (median of 4 pairs" in pairs.table(facts)


def test_a_stage_that_an_earlier_checkout_lacks_is_left_empty() -> None:
    ours, theirs = pairs.Turn(2.0, 2.0, {"read": 1.0, "habits": 1.0}), pairs.Turn(3.0, 3.0, {})
    facts = pairs.compare([(ours, theirs)])
    assert facts["stages_s"] == {"read": (1.0, None), "habits": (1.0, None)}
    assert "habits" in pairs.table(facts)


def test_pairs_of_a_small_page(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from crownlet.train.evaluation.type_pages import TypeSpec, compose_type_page

    page = compose_type_page(TypeSpec("ashkenaz", "mezuzah", 32.0)).image[:200]
    path, out = tmp_path / "lines.png", tmp_path / "pairs.json"
    cv2.imencode(".png", page)[1].tofile(path)
    assert pairs.main([str(path), "--pairs", "1", "--json", str(out)]) == 0
    facts = json.loads(out.read_text(encoding="utf-8"))
    assert 0.2 < facts["ratio"] < 5.0  # The same code and networks, both times.
    ours, _ = facts["cpu_s"]
    stages = {name: each[0] for name, each in facts["stages_s"].items()}
    assert 0.5 * ours < sum(stages.values()) <= 1.01 * ours
    # No other stage runs a network on each letter; common practice, no source. By the processor's
    # time: by the clock a slow disk, or other work of the machine, may make any stage the longest.
    assert stages["assess"] > max(s for name, s in stages.items() if name not in NETWORK_STAGES)
    assert "assess" in capsys.readouterr().out


def test_a_missing_page_is_stated(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([str(tmp_path / "none.png"), "--alone"]) == 1
    assert "there is no such file" in capsys.readouterr().err

"""The walk of train/README.md, "With your own scans": every line as it is written, at tiny sizes.

Run with `pytest -m walk`: it takes some minutes.
"""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import pytest
from hydra import compose as compose_config
from hydra import initialize_config_module

from crownlet.infer.networks import OnnxNetworks, read_verified_files, weights_folder
from crownlet.train import scans_cli
from crownlet.train.cli import run_job
from tests.train.conftest import fill_small_pool, make_scans

ROOT = Path(__file__).resolve().parents[2]

TINY_FIT = (
    "data.watch_pages=1", "data.workers=0", "data.scans_copies=1", "trainer.max_steps=2",
    "trainer.val_every=1", "trainer.batch_size=4", "trainer.wait_rows=2", "trainer.progress=false",
)  # fmt: skip
TINY_GATE = (
    "gate.held_out_pages=1", "gate.mezuzot=0", "gate.type_pages=false", "gate.workers=1",
)  # fmt: skip
TINY_PROMOTION = ("promote.steps=[export,gate]", "export.calibration_pages=1", *TINY_GATE)


def lines_of_walk() -> list[list[str]]:
    text = (ROOT / "train" / "README.md").read_text("utf-8")
    section = text.split("## With your own scans")[1]
    block = re.search(r"```sh\n(.*?)```", section, re.S)
    assert block
    return [shlex.split(line) for line in block[1].strip().splitlines()]


def train(out: Path, *settings: str) -> None:
    with initialize_config_module("crownlet.configs", version_base="1.3"):
        run_job(compose_config("train", [*settings, f"out='{out}'"]))


@pytest.mark.walk
def test_every_line_of_the_walk_does_what_it_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    shutil.copytree(weights_folder(), tmp_path / "models" / "weights")
    fill_small_pool(tmp_path / "runs" / "pool")
    # One scroll to measure on stands in the set already; its page to learn from comes by `add`.
    given = make_scans(tmp_path / "given", {"test": (12,), "validation": (13,)})
    given.rename(tmp_path / "SET")
    picture, labels = (tmp_path / "given" / "more", tmp_path / "given" / "more.json")
    other = make_scans(tmp_path / "given" / "other", {"train": (11,)})
    picture.mkdir()
    for path in (other / "scans").iterdir():
        shutil.copy(path, picture / "train11.png")
    shutil.copy(tmp_path / "given" / "other" / "came" / "train11.json", labels)
    words = {
        "SET": "SET", "DIR": str(picture), "FILE": str(labels), "NAME": "another hand",
        "TEXT": "rendered",
    }  # fmt: skip
    before = read_verified_files(tmp_path / "models" / "weights")
    seen = []
    for program, *arguments in lines_of_walk():
        seen.append(Path(program).name)
        if seen[-1] == "crownlet-scans":
            with pytest.raises(SystemExit) as left:
                scans_cli.main([words.get(word, word) for word in arguments])
            assert left.value.code == 0, capsys.readouterr()
            continue
        settings = " ".join(arguments)
        for name in ("assessor", "locator"):
            place = tmp_path / "runs" / name / "walk" / f"{name}.safetensors"
            settings = settings.replace(f"export.{name}=FILE", f"export.{name}={place}")
            if f"model={name}" in settings:
                train(place.parent, *settings.split(), *TINY_FIT)
                assert f"weights: {place}" in capsys.readouterr().out
        settings = settings.replace("because=TEXT", "because=tried")
        if "promote.because" in settings:
            train(tmp_path, *settings.split())
            assert OnnxNetworks(tmp_path / "models" / "weights").info.version == "0.6.1"
            assert read_verified_files(tmp_path / "models" / "weights") != before
        elif "job=gate" in settings:
            train(tmp_path, *settings.split(), *TINY_GATE)
            printed = capsys.readouterr().out
            assert "against it: " in printed
            assert "outcome: " in printed
            assert read_verified_files(tmp_path / "models" / "weights") == before
        elif "job=promote" in settings:
            # Two steps of learning make nothing better, and the gate says so.
            with pytest.raises(SystemExit, match="not promoted: "):
                train(tmp_path, *settings.split(), *TINY_PROMOTION)
            assert read_verified_files(tmp_path / "models" / "weights") == before
        elif "job=restore" in settings:
            train(tmp_path, *settings.split())
            assert read_verified_files(tmp_path / "models" / "weights") == before
    assert seen == ["crownlet-scans"] * 3 + ["crownlet-train"] * 6

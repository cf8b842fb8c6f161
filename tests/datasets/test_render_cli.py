"""`crownlet-render` as its user calls it."""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from pathlib import Path

import pytest

from crownlet.datasets.coco.read import load_coco
from crownlet.datasets.render.cli import render
from crownlet.datasets.render.page.spec import PageSpec, spec_from, training


def _call(*arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "crownlet.datasets.render.cli", *arguments]
    return subprocess.run(command, capture_output=True, text=True, cwd=cwd, check=False)


def _digests(folder: Path) -> dict[str, str]:
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in files
    }


def test_the_same_seed_gives_the_same_files_whatever_the_workers(tmp_path: Path) -> None:
    small = ("pages=2", "seed=5", "render.body=[24,26]", "render.letters=[10,20]", "render.tight=0")
    first = _call("out=a", "workers=0", *small, cwd=tmp_path)
    assert first.returncode == 0, first.stderr
    spec = training(body=(24, 26), letters=(10, 20), tight=0)
    render(tmp_path / "b", spec, pages=2, seed=5, workers=2)
    digests = _digests(tmp_path / "a")
    assert set(digests) == {"annotations.json", "images/000000.png", "images/000001.png"}
    assert digests == _digests(tmp_path / "b")
    pages = load_coco(tmp_path / "a" / "annotations.json")
    assert all(len(page.letters) >= 10 for page in pages)
    # Nothing of Hydra's is left in the user's folder.
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a", "b"]


@pytest.mark.parametrize(
    ("argument", "message"),
    [
        ("render.portion=genesis", "neither a portion"),
        ("pages=0", "at least one"),
        ("+render.colour=red", "unknown setting 'colour'"),
    ],
)
def test_wrong_usage_is_one_sentence(argument: str, message: str, tmp_path: Path) -> None:
    done = _call(argument, cwd=tmp_path)
    assert done.returncode == 2
    assert message in done.stderr
    assert "Traceback" not in done.stderr
    assert not list(tmp_path.rglob("*.png"))


@pytest.mark.parametrize("name", ["training", "mezuzah", "reverse", "clean"])
@pytest.mark.parametrize("augment", ["any", "scanner", "camera", "none"])
def test_every_preset_is_a_specification(name: str, augment: str) -> None:
    from hydra import compose, initialize_config_module
    from omegaconf import OmegaConf

    with initialize_config_module("crownlet.configs", version_base="1.3"):
        config = compose("render", [f"render={name}", f"augment={augment}"])
    values = OmegaConf.to_container(config, resolve=True)
    spec = spec_from(values["render"], values["augment"])  # type: ignore[index,call-overload]
    assert isinstance(spec, PageSpec)
    if name == "training" and augment == "any":
        assert spec == training()


def test_labels_are_written_last_and_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    spec = training(body=(24, 26), letters=(10, 12))
    from crownlet.datasets.render import cli as render_cli

    def fail(spec: PageSpec, seed: int) -> None:
        raise OSError("the disk is full")

    monkeypatch.setattr(render_cli, "compose", fail)
    with pytest.raises(OSError, match="disk is full"):
        render(tmp_path, spec, pages=1)
    assert not [path for path in tmp_path.rglob("*") if path.is_file()]
    monkeypatch.undo()
    labels = render(tmp_path, spec, pages=1)
    assert len(json.loads(labels.read_text(encoding="utf-8"))["images"]) == 1

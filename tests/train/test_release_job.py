"""Gate and promotion with the shipped networks: offered to themselves they are no better."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from hydra import compose as compose_config
from hydra import initialize_config_module
from omegaconf import DictConfig

from crownlet.infer.cli import main
from crownlet.infer.networks import ModelError, weights_folder
from crownlet.train import cli as train_cli
from crownlet.train.export.onnx import export_networks
from crownlet.train.fit.errors import TrainingError
from crownlet.train.release import job as release_job
from crownlet.train.release import promote as promotion
from crownlet.train.release.job import run_gate
from crownlet.train.release.promote import (
    ModelStore,
    ModelStoreError,
    PromotionRefused,
    make_model,
    promote,
    restore,
)
from crownlet.train.risk_control import gather


def configured(folder: Path, scans: Path, *more: str) -> DictConfig:
    with initialize_config_module("crownlet.configs", version_base="1.3"):
        return compose_config(
            "train",
            [
                f"gate.scans='{scans}'", "gate.held_out_pages=1", "gate.mezuzot=0",
                "gate.type_pages=false", "gate.photographs=none", "gate.workers=1",
                f"promote.store='{folder / 'store'}'", f"promote.current='{folder / 'in use'}'",
                "promote.steps=[gate]", "export.version=new", *more,
            ],
        )  # fmt: skip


def test_refused_with_its_numbers_then_promoted_for_a_reason_then_put_back(
    tmp_path: Path, scan_set: Callable[..., Path]
) -> None:
    scans = scan_set(tmp_path, {"test": (11, 12)})
    for name in ("in use", "offered"):
        (tmp_path / name).mkdir()
        for path in weights_folder().glob("*"):
            if path.is_file() and path.suffix != ".safetensors":
                shutil.copy(path, tmp_path / name)
    routing = tmp_path / "offered" / "routing.yaml"
    routing.write_text("# offered\n" + routing.read_text("utf-8"), "utf-8")
    offered = f"promote.new='{tmp_path / 'offered'}'"
    with pytest.raises(PromotionRefused, match=r"scans, letters: .* not shown to be better"):
        promote(configured(tmp_path, scans, offered))
    assert not (tmp_path / "in use" / "routing.yaml").read_text("utf-8").startswith("# offered")

    current = promote(configured(tmp_path, scans, "promote.steps=[]", "promote.because=tried"))
    card = json.loads((current / "card.json").read_text("utf-8"))
    origin = card["origin"]
    assert origin["because"] == "tried"
    assert origin["parent"]["version"] == card["version"]
    # The gate's table of the first offer is kept; the same networks differ nowhere.
    rows = origin["gate"]["suites"]
    assert rows["scans"]["letters"]["scrolls"] == 2
    assert rows["scans"]["letters"]["old"] == rows["scans"]["letters"]["new"]
    assert rows["held-out hands"]["by_letter"]
    assert origin["gate"]["scans"]["version"] == 2
    assert origin["gate"]["against"]
    assert routing.read_bytes() == (current / "routing.yaml").read_bytes()

    page = next((scans / "scans").iterdir())
    command = ["inspect", str(page), "--out", str(tmp_path / "run"), "--model", str(current)]
    assert main([*command, "--portion", "none"]) == 0

    assert restore(configured(tmp_path, scans)) == current
    assert not (current / "routing.yaml").read_text("utf-8").startswith("# offered")


def test_a_model_that_is_made_learns_hands_as_an_exported_one_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The job `export` adds the means of the letters; a promotion must not leave them out."""
    done: list[str] = []
    shutil.copytree(weights_folder(), tmp_path / "in use")

    def export(config: DictConfig) -> None:
        Path(config.export.to).mkdir(parents=True)
        done.append("export")

    monkeypatch.setattr(promotion, "export_networks", export)
    monkeypatch.setattr(promotion, "add_letter_means", lambda folder: done.append(folder.name))
    weights = [
        f"export.{name}='{tmp_path / 'in use' / name}.safetensors'"
        for name in ("assessor", "locator")
    ]
    config = configured(tmp_path, tmp_path, "promote.steps=[export,means]", *weights)
    store = promotion.ModelStore(tmp_path / "store", tmp_path / "in use")
    assert promotion.make_model(config, store) == tmp_path / "store" / "new"
    assert done == ["export", "new"]


def test_the_command_line_makes_a_refusal_an_exit(monkeypatch: pytest.MonkeyPatch) -> None:
    """The message goes to stderr, with exit code 1 (`SystemExit`, Python's library reference)."""

    def refuse(config: DictConfig) -> Path:
        raise PromotionRefused("not promoted: too few letters")

    monkeypatch.setattr("crownlet.train.release.promote.promote", refuse)
    with initialize_config_module("crownlet.configs", version_base="1.3"):
        config = compose_config("train", ["job=promote"])
    with pytest.raises(SystemExit) as left:
        train_cli.run_job(config)
    assert left.value.code == "not promoted: too few letters"


def test_what_is_absent_is_named_before_any_page_is_read(
    tmp_path: Path, scan_set: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A promotion takes hours; no outside source."""
    scans = scan_set(tmp_path, {"train": (11,)})

    def read(*arguments: object) -> None:
        raise AssertionError("a page was read")

    monkeypatch.setattr(release_job, "tally_suites", read)
    monkeypatch.setattr(promotion, "make_model", read)
    monkeypatch.setattr(gather, "gather_evidence", read)
    used = weights_folder()
    nowhere = configured(tmp_path, scans, f"gate.old='{used}'", f"gate.new='{tmp_path / 'none'}'")
    with pytest.raises(ModelError):
        run_gate(nowhere)
    untested = configured(tmp_path, scans, f"gate.old='{used}'", f"gate.new='{used}'")
    for job in (run_gate, promote):
        with pytest.raises(TrainingError, match=r"gate\.scans=.*no labelled page .* part test"):
            job(untested)
    promised = configured(tmp_path, scans, "promote.steps=[promise]", f"promise.scans='{scans}'")
    for job in (promote, gather.control_risk):
        with pytest.raises(TrainingError, match=r"promise\.scans=.*part calibrate"):
            job(promised)
    unmade = configured(tmp_path, scans, "promote.steps=[]", "promote.because=tried")
    with pytest.raises(ModelStoreError, match="there is no such version"):
        make_model(unmade, ModelStore(tmp_path / "store", used))
    assert not (tmp_path / "store" / "new").exists()
    weights = [f"export.{n}='{used / n}.safetensors'" for n in ("locator", "assessor")]
    for job in (promote, export_networks):
        with pytest.raises(TrainingError, match=r"export\.version is not set"):
            job(configured(tmp_path, scans, "export.version=null", *weights))
        with pytest.raises(TrainingError, match=r"export\.version=0\.1 reads as a number"):
            job(configured(tmp_path, scans, "export.version=0.10", *weights))

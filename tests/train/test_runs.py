"""Runs: a folder and a record each, gone on with by name and only as they were begun.

What a run must record and refuse is the project's own decision; that a stopped run ends with 128
and the signal's number is the convention of POSIX shells (Bash manual, "Exit Status").
"""

from __future__ import annotations

import json
import os
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import pytorch_lightning as pl
import torch
from omegaconf import DictConfig, OmegaConf
from PIL import Image
from safetensors.torch import load_file

from crownlet.datasets.coco.write import to_coco
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean
from crownlet.datasets.scans.add import ScanSource, add_scans
from crownlet.train.cli import run_job
from crownlet.train.fit import fit as fitting
from crownlet.train.fit.data import claim_pool
from crownlet.train.fit.errors import TrainingError
from crownlet.train.fit.fit import STOPPED_EXIT_CODE, fit, make_module, make_network, make_renders
from crownlet.train.fit.record import CHECKPOINT_FILE, CONFIG_FILE, RECORD_FILE, open_run
from crownlet.train.fit.weights import facts_of
from tests.train.conftest import small_run


class SigtermAt(pl.Callback):
    """Sends SIGTERM to this process after a step, as a cluster or a shell does."""

    def __init__(self, step: int) -> None:
        self.step = step

    def on_train_batch_end(self, trainer: pl.Trainer, *_: Any) -> None:
        if trainer.global_step == self.step:
            os.kill(os.getpid(), signal.SIGTERM)


class InterruptedAt(SigtermAt):
    """Stops after a step as Ctrl+C does: Python raises KeyboardInterrupt on SIGINT."""

    def on_train_batch_end(self, trainer: pl.Trainer, *_: Any) -> None:
        if trainer.global_step == self.step:
            raise KeyboardInterrupt


def stop_at(monkeypatch: pytest.MonkeyPatch, config: DictConfig, step: int) -> SystemExit:
    """Begin a run and stop it after a step."""
    made = fitting.make_callbacks
    with monkeypatch.context() as patch:
        patch.setattr(fitting, "make_callbacks", lambda *a: [SigtermAt(step), *made(*a)])
        with pytest.raises(SystemExit) as left:
            fit(config)
    return left.value


def begun(folder: Path, config: DictConfig) -> Path:
    """A folder as a stopped run leaves it."""
    run = open_run(config)
    run.write()
    torch.save({"global_step": 3}, folder / CHECKPOINT_FILE)
    return folder


def test_the_record_beside_the_weights_and_in_them_says_what_made_them(
    small_pool: Path, tmp_path: Path
) -> None:
    path = fit(small_run(small_pool, tmp_path / "run", "seed=7", "trainer.max_steps=3"))
    record = json.loads((tmp_path / "run" / RECORD_FILE).read_text("utf-8"))
    facts = facts_of(path)
    for kept in (record, facts):
        assert kept["config"]["model"]["widths"] == [8, 8, 8, 8]
        assert kept["config"]["trainer"]["max_steps"] == 3
        assert kept["seed"] == 7
        assert len(kept["code"]["sha256"]) == 64
        assert kept["packages"]["torch"]
    assert facts["steps"] == 3
    # Two pages were there to be read, whatever `data.pages` asks for.
    assert facts["seen"]["rendered_pages"] == 2
    assert record["metrics"]["val/loss"] == facts["val/loss"] > 0
    assert OmegaConf.load(tmp_path / "run" / CONFIG_FILE).model.hidden == 16
    # Weights travel: no folder of this machine is named in them.
    assert str(tmp_path) not in json.dumps(facts)


def test_a_folder_holds_one_run_and_resume_names_it(small_pool: Path, tmp_path: Path) -> None:
    config = small_run(small_pool, tmp_path / "run")
    begun(tmp_path / "run", config)
    with pytest.raises(TrainingError, match=r"holds a run already: resume=.* goes on with it"):
        open_run(config)
    with pytest.raises(TrainingError, match="names no run"):
        open_run(small_run(small_pool, tmp_path / "run", "resume=true"))
    named = small_run(small_pool, tmp_path / "other", f"resume='{tmp_path / 'run'}'")
    assert open_run(named).checkpoint == tmp_path / "run" / CHECKPOINT_FILE
    assert not (tmp_path / "other").exists()
    anew = open_run(small_run(small_pool, tmp_path / "run", "resume=false"))
    assert (anew.folder, anew.checkpoint) == (tmp_path / "run", None)
    assert (tmp_path / "run.old1" / RECORD_FILE).exists()
    with pytest.raises(TrainingError, match="no run lies there"):
        open_run(small_run(small_pool, tmp_path / "x", f"resume='{tmp_path / 'nothing'}'"))


def test_a_run_of_other_settings_is_not_gone_on_with(small_pool: Path, tmp_path: Path) -> None:
    folder = begun(tmp_path / "run", small_run(small_pool, tmp_path / "run"))
    resume = f"resume='{folder}'"
    with pytest.raises(TrainingError, match=r"model\.lr was 0\.002, is 0\.001"):
        open_run(small_run(small_pool, tmp_path, resume, "model.lr=0.001"))
    with pytest.raises(TrainingError, match=r"trainer\.max_steps was 6, is 9"):
        open_run(small_run(small_pool, tmp_path, resume, "trainer.max_steps=9"))
    # Who renders, and until when, does not make another run of it.
    free = ("data.workers=2", "trainer.until=9", "trainer.progress=true")
    assert open_run(small_run(small_pool, tmp_path, resume, *free)).record["resumed"]


def test_a_run_whose_data_set_has_grown_is_not_gone_on_with(
    small_pool: Path, tmp_path: Path, scan_set: Callable[..., Path]
) -> None:
    scans = scan_set(tmp_path, {"train": (1,)})
    settings = f"data.scans='{scans}'", "data.scans_share=0.3"
    folder = begun(tmp_path / "run", small_run(small_pool, tmp_path / "run", *settings))
    page = compose(clean(letters=(20, 30), body=(40.0, 40.0)), 2)
    picture, labels = tmp_path / "more.png", tmp_path / "more.json"
    Image.fromarray(page.image).save(picture)
    labels.write_text(json.dumps(to_coco([page], [picture.name])), encoding="utf-8")
    _, wrong = add_scans(scans, ScanSource([picture], "train", "rendered", [labels], scroll="b"))
    assert not wrong
    with pytest.raises(TrainingError, match=r"data set set was .version 1.*, is .version 2"):
        open_run(small_run(small_pool, tmp_path, *settings, f"resume='{folder}'"))


def test_a_run_that_has_ended_or_is_damaged_says_so(small_pool: Path, tmp_path: Path) -> None:
    config = small_run(small_pool, tmp_path / "run")
    folder = begun(tmp_path / "run", config)
    resume = small_run(small_pool, tmp_path, f"resume='{folder}'")
    (folder / CHECKPOINT_FILE).write_bytes(b"half a file")
    with pytest.raises(TrainingError, match=r"last\.ckpt is damaged .* start_from=FILE"):
        open_run(resume)
    (folder / CHECKPOINT_FILE).unlink()
    with pytest.raises(TrainingError, match="before its first checkpoint"):
        open_run(resume)
    record = json.loads((folder / RECORD_FILE).read_text("utf-8"))
    (folder / RECORD_FILE).write_text(json.dumps(record | {"ended": "today"}), "utf-8")
    with pytest.raises(TrainingError, match="this run ended on today"):
        open_run(resume)
    (folder / RECORD_FILE).write_text("{", "utf-8")
    with pytest.raises(TrainingError, match=r"record\.json cannot be read"):
        open_run(resume)


def test_a_stopped_run_goes_on_where_it_was_and_ends_as_if_it_had_never_stopped(
    small_pool: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Step for step: the same weights, bit by bit, as those of a run that was left alone."""
    settings = "trainer.max_steps=8", "trainer.max_minutes=0", "trainer.val_every=4"
    whole = load_file(fit(small_run(small_pool, tmp_path / "whole", *settings)))

    left = stop_at(monkeypatch, small_run(small_pool, tmp_path / "cut", *settings), 5)
    assert left.code == STOPPED_EXIT_CODE == 128 + signal.SIGTERM
    kept = torch.load(tmp_path / "cut" / CHECKPOINT_FILE, weights_only=True)
    assert kept["global_step"] == 5
    assert kept["seconds_spent"] > 0
    # What was written by the way says what it had seen by then.
    by_the_way = facts_of(tmp_path / "cut" / "assessor.safetensors")
    assert by_the_way["steps"] == 4
    assert by_the_way["val/letter_error"] >= 0
    assert "ended" not in json.loads((tmp_path / "cut" / RECORD_FILE).read_text("utf-8"))

    resume = f"resume='{tmp_path / 'cut'}'"
    path = fit(small_run(small_pool, tmp_path / "elsewhere", *settings, resume))
    assert path.parent == tmp_path / "cut"
    assert facts_of(path)["steps"] == 8
    assert [one["step"] for one in facts_of(path)["resumed"]] == [5]
    again = load_file(path)
    assert all(torch.equal(value, again[key]) for key, value in whole.items())


def test_a_run_stopped_by_ctrl_c_names_how_it_goes_on(
    small_pool: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    """Exit code 128 + 2, as shells report SIGINT (POSIX, 2.8.2)."""
    made, handler = fitting.make_callbacks, signal.getsignal(signal.SIGINT)
    monkeypatch.setattr(fitting, "make_callbacks", lambda *a: [InterruptedAt(2), *made(*a)])
    try:
        with pytest.raises(SystemExit) as left:
            fit(small_run(small_pool, tmp_path / "cut", "trainer.val_every=4"))
    finally:
        signal.signal(signal.SIGINT, handler)  # Lightning ignores it from there on.
    assert left.value.code == 128 + signal.SIGINT
    says = f"stopped by Ctrl+C; resume={tmp_path / 'cut'} goes on from step 2"
    assert says in capsys.readouterr().out
    assert torch.load(tmp_path / "cut" / CHECKPOINT_FILE, weights_only=True)["global_step"] == 2


def test_a_run_that_goes_on_remembers_its_time(small_pool: Path, tmp_path: Path) -> None:
    config = small_run(small_pool, tmp_path, "trainer.max_steps=0")
    module = make_module(config, make_network(config.model))
    module.on_load_checkpoint({"seconds_spent": 120.0, "random_state": torch.get_rng_state()})
    # Forgotten, they would be 0; a slow machine has spent some more since.
    assert 120.0 <= module.budget.elapsed() < 180.0
    # Five minutes were granted.
    assert 0.4 <= module.budget.progress(0) < 0.6


def test_a_pool_of_other_renders_is_not_shared(small_pool: Path, tmp_path: Path) -> None:
    claim_pool(make_renders(small_run(tmp_path / "pool", tmp_path)))
    claim_pool(make_renders(small_run(tmp_path / "pool", tmp_path, "data.pages=9")))
    other = make_renders(small_run(tmp_path / "pool", tmp_path, "+data.spec.own_forms=0.0"))
    with pytest.raises(TrainingError, match=r"differ in spec\.own_forms, watch\.own_forms"):
        claim_pool(other)


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        (["start_from=nowhere.safetensors"], "start_from=nowhere.safetensors: there is no such"),
        (["job=export"], "export.locator is not set; name the weights to use"),
        (["job=export", "export.locator=no"], "export.locator=no: there is no such file"),
        (["data.scans=[nowhere.json]"], "nowhere.json"),
    ],
)
def test_what_cannot_be_done_is_stated_in_one_sentence(
    small_pool: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, settings: list[str],
    words: str,
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as left:
        run_job(small_run(small_pool, tmp_path / "run", *settings))
    assert words in str(left.value.code)
    assert "\n" not in str(left.value.code)


def test_weights_of_another_network_are_no_start(small_pool: Path, tmp_path: Path) -> None:
    path = fit(small_run(small_pool, tmp_path / "one", "trainer.max_steps=1"))
    again = small_run(small_pool, tmp_path / "two", f"start_from='{path}'", "model.hidden=24")
    with pytest.raises(TrainingError, match="does not fit this network: assessor of widths"):
        fit(again)
    broken = tmp_path / "broken.safetensors"
    broken.write_bytes(path.read_bytes()[:100])
    with pytest.raises(TrainingError, match=r"broken\.safetensors cannot be read as weights"):
        fit(small_run(small_pool, tmp_path / "three", f"start_from='{broken}'"))

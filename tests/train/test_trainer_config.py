"""What Lightning and Hydra take by configuration: any argument of the Trainer, callbacks, loggers,
several processes."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from hydra import compose as compose_config
from hydra import initialize_config_module

from crownlet.train.fit.errors import TrainingError
from crownlet.train.fit.fit import fit, make_trainer
from crownlet.train.fit.weights import facts_of
from tests.train.conftest import small_run


def package_path() -> str:
    """PYTHONPATH for a process that starts in another folder."""
    places = os.environ.get("PYTHONPATH", "").split(os.pathsep)
    return os.pathsep.join(str(Path(place).resolve()) for place in places if place)


def test_every_argument_of_the_trainer_passes_and_an_unknown_one_is_an_error(
    small_pool: Path, tmp_path: Path
) -> None:
    """`pytorch_lightning.Trainer`, whose own attributes show what reached it."""
    given = ("+trainer.accumulate_grad_batches=4", "trainer.gradient_clip_val=0.5")
    trainer = make_trainer(small_run(small_pool, tmp_path, *given), tmp_path, lambda _: {})
    assert (trainer.accumulate_grad_batches, trainer.gradient_clip_val) == (4, 0.5)
    assert trainer.max_steps == 6
    by_clock = small_run(small_pool, tmp_path, "trainer.until=4000000000")
    assert make_trainer(by_clock, tmp_path, lambda _: {}).max_steps == -1
    with pytest.raises(TrainingError, match=r"trainer\.acumulate: Trainer has no such argument"):
        wrong = small_run(small_pool, tmp_path, "+trainer.acumulate=4")
        make_trainer(wrong, tmp_path, lambda _: {})


def test_callbacks_and_loggers_are_made_by_their_classes(small_pool: Path, tmp_path: Path) -> None:
    more = (
        "logger=csv", "+callbacks.timer._target_=pytorch_lightning.callbacks.Timer",
        "+callbacks.timer.duration=00:01:00:00",
    )  # fmt: skip
    trainer = make_trainer(small_run(small_pool, tmp_path, *more), tmp_path, lambda _: {})
    names = [type(callback).__name__ for callback in trainer.callbacks]
    # What writes the weights stands before what averages them.
    assert names.index("KeptWeights") < names.index("EMAWeightAveraging")
    assert "Timer" in names
    assert [type(logger).__name__ for logger in trainer.loggers] == ["CSVLogger"]
    wrong = small_run(small_pool, tmp_path, "callbacks.ema.decay=7")
    with pytest.raises(TrainingError, match=r"ema \(pytorch_lightning.*EMAWeightAveraging\)"):
        make_trainer(wrong, tmp_path, lambda _: {})


@pytest.mark.filterwarnings("ignore:.*dynamo.*")
def test_accumulation_and_precision_train(small_pool: Path, tmp_path: Path) -> None:
    more = ("+trainer.accumulate_grad_batches=2", "trainer.precision=bf16-mixed")
    path = fit(small_run(small_pool, tmp_path / "run", *more, "trainer.max_steps=2"))
    assert facts_of(path)["steps"] == 2


def test_two_processes_train_together_by_configuration_alone(
    small_pool: Path, tmp_path: Path
) -> None:
    """DistributedDataParallel over gloo, as Lightning starts it: on a processor, two processes."""
    command = [
        sys.executable, "-m", "crownlet.train.cli", "model=assessor", "model.widths=[8,8,8,8]",
        "model.hidden=16", "trainer=tiny", "trainer.progress=false", f"data.folder={small_pool}",
        "data.watch_pages=1", "data.workers=0", "trainer.strategy=ddp", "trainer.devices=2",
        "trainer.max_minutes=0", "trainer.max_steps=3", "logger=csv",
    ]  # fmt: skip
    run = subprocess.run(
        command, cwd=tmp_path, capture_output=True, text=True, check=False, timeout=300,
        env=os.environ | {"OMP_NUM_THREADS": "1", "PYTHONPATH": package_path()},
    )  # fmt: skip
    assert run.returncode == 0, run.stderr[-3000:]
    assert "MEMBER: 2/2" in run.stderr + run.stdout
    (folder,) = (tmp_path / "runs" / "assessor").iterdir()
    record = json.loads((folder / "record.json").read_text("utf-8"))
    assert record["ended"]
    assert facts_of(folder / "assessor.safetensors")["steps"] == 3
    # Hydra's own record lies in the folder of the run, and nobody is sold anything.
    assert (folder / ".hydra" / "overrides.yaml").exists()
    assert "Tip:" not in run.stderr + run.stdout


@pytest.mark.parametrize("trainer", ["cpu", "gpu", "ddp", "tiny"])
def test_every_trainer_has_the_same_keys(trainer: str) -> None:
    with initialize_config_module("crownlet.configs", version_base="1.3"):
        chosen = compose_config("train", [f"trainer={trainer}"]).trainer
        tiny = compose_config("train", ["trainer=tiny"]).trainer
    assert set(tiny) - {"benchmark"} <= set(chosen)

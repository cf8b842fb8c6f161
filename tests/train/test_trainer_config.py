"""What Lightning and Hydra take by configuration: any argument of the Trainer, callbacks, loggers,
several processes."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
import torch
from hydra import compose as compose_config
from hydra import initialize_config_module
from omegaconf import OmegaConf

from crownlet.datasets.scribal.catalogue import LEARNED_DEFECTS
from crownlet.models.assessor import Assessor
from crownlet.models.locator import Locator
from crownlet.train.fit.errors import TrainingError
from crownlet.train.fit.fit import fit, make_data, make_module, make_network, make_trainer
from crownlet.train.fit.modules import AssessorModule
from crownlet.train.fit.reservoir import read_crops, read_tiles
from crownlet.train.fit.settings import check_settings
from crownlet.train.fit.weights import facts_of
from tests.train.conftest import small_run

ROOT = Path(__file__).resolve().parents[2]


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


@pytest.mark.parametrize(
    ("setting", "says"),
    [
        ("trainer.max_steps=many", "trainer.max_steps=many: a whole number of at least -1"),
        ("trainer.val_every=0", "trainer.val_every=0: a whole number of at least 1"),
        ("trainer.batch_size=2.5", "trainer.batch_size=2.5: a whole number"),
        ("data.scans_share=1.5", "data.scans_share=1.5: a number from 0 to 1 is needed"),
        ("data.watch_pages=null", "data.watch_pages=None: a whole number"),
    ],
)
def test_a_number_that_cannot_be_is_named_before_anything_is_made(
    setting: str, says: str, tmp_path: Path
) -> None:
    """No outside source: one sentence with the key, and no folder of a run."""
    config = small_run(tmp_path / "pool", tmp_path / "run", setting)
    with pytest.raises(TrainingError, match=re.escape(says)):
        fit(config)
    assert not (tmp_path / "run").exists()


def test_every_shipped_trainer_and_experiment_passes_the_checks() -> None:
    for trainer in ("cpu", "tiny", "gpu", "ddp"):
        for more in ((), ("+experiment=retrain",), ("+experiment=distil",)):
            with initialize_config_module("crownlet.configs", version_base="1.3"):
                check_settings(compose_config("train", [f"trainer={trainer}", *more]))


@pytest.mark.parametrize("name", ["assessor", "locator"])
def test_sizes_of_a_group_are_those_of_the_network_that_is_built(name: str) -> None:
    """Narrow ones compute less than the model's own (parameters, counted by torch)."""

    def parameters(*more: str) -> int:
        with initialize_config_module("crownlet.configs", version_base="1.3"):
            config = compose_config("train", [f"model={name}", *more])
        return sum(weight.numel() for weight in make_network(config.model).parameters())

    assert parameters(f"+hparams=narrow_{name}") < parameters()
    both = (f"+hparams=narrow_{name}", "+experiment=distil")
    assert parameters(*both) == parameters(f"+hparams=narrow_{name}")
    # What is set on the command line holds.
    assert parameters(*both, "model.widths=[8,8,8,8]") < parameters(*both)


def test_what_lightning_refuses_is_one_sentence(small_pool: Path, tmp_path: Path) -> None:
    """Lightning's Trainer: shares of batches lie from 0 to 1."""
    wrong = small_run(small_pool, tmp_path, "+trainer.limit_train_batches=2.5")
    with pytest.raises(TrainingError, match=r"trainer: .*limit_train_batches"):
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


class NarrowAssessor(Assessor):
    """A network of somebody else, named by its path."""

    def __init__(self) -> None:
        super().__init__(len(LEARNED_DEFECTS), (8, 8, 8, 8), 24)


def test_network_module_and_data_are_made_by_their_classes(
    small_pool: Path, tmp_path: Path
) -> None:
    """`hydra.utils.instantiate`, as in lightning-hydra-template."""
    given = (
        "+model.changes.bend=0.5", "model.lr=0.25", "data.scans_share=0.2", "data.photographs=3",
        "+data.spec.body=[30,40]", "model.balance=0.75", "trainer.batch_size=7",
    )  # fmt: skip
    config = small_run(small_pool, tmp_path, *given)
    module = make_module(config, make_network(config.model))
    assert isinstance(module, AssessorModule)
    assert (module.lr, module.changes.bend, module.changes.harsh) == (0.25, 0.5, 0.4)
    data = make_data(config, torch.device("cpu"))
    assert (data.batch_size, data.balance, data.scans.share) == (7, 0.75, 0.2)
    assert (data.renders.photographs, data.renders.spec.body) == (3, (30, 40))
    assert data.renders.watch.split == "calibrate"
    assert data.reader is read_crops
    with initialize_config_module("crownlet.configs", version_base="1.3"):
        locator = compose_config("train", ["model=locator", "model.widths=[8,8,8,8]"])
    assert isinstance(make_network(locator.model), Locator)
    assert make_data(locator, torch.device("cpu")).reader is read_tiles
    # A network of one's own by its path; what cannot be made is one sentence.
    model = config.model
    model.network = {"_target_": f"{__name__}.NarrowAssessor"}
    assert isinstance(make_network(model), NarrowAssessor)
    for wrong, message in (
        ("+model.module.bending=3", r"model\.module .*AssessorModule.*bending"),
        ("+model.changes.bending=3", r"model\.module .*bending"),
        ("+data.module.rows=3", r"data\.module .*rows"),
        ("model.network._target_=nobody.Network", r"model\.network \(nobody\.Network\)"),
        ("model.network.name=critic", "no network is called 'critic'"),
    ):
        faulty = small_run(small_pool, tmp_path, wrong)
        with pytest.raises(TrainingError, match=message):
            make_module(faulty, make_network(faulty.model))
            make_data(faulty, torch.device("cpu"))


def test_every_group_of_the_configuration_offers_something() -> None:
    """Hydra lists a group without options in its help all the same. No outside source."""
    groups = [path.parent for path in (ROOT / "configs").glob("*/__init__.py")]
    assert groups and all(any(group.glob("*.yaml")) for group in groups)


def test_a_model_group_is_a_network_by_itself() -> None:
    """Read without the rest of the configuration, as scripts do."""
    for name, kind in (("assessor", Assessor), ("locator", Locator)):
        assert isinstance(make_network(OmegaConf.load(ROOT / f"configs/model/{name}.yaml")), kind)


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


def test_a_pool_that_nothing_fills_here_is_named_at_once(
    small_pool: Path, tmp_path: Path, caplog: pytest.LogCaptureFixture,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """Before waiting: a quarter of an hour without a word looks like a program that hangs."""
    monkeypatch.setattr("crownlet.train.fit.data.wait_for_pages", lambda folder, pages: None)
    for pool, lines in ((small_pool, 0), (tmp_path / "empty", 1)):
        caplog.clear()
        make_data(small_run(pool, tmp_path), torch.device("cpu")).prepare_data()
        assert len(caplog.messages) == lines
    assert "empty holds 0 of 1 pages to watch and 0 of 1 pages to train" in caplog.messages[0]
    assert "set data.workers to 1 or more" in caplog.messages[0]

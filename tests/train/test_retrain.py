"""Retraining on labelled scans: what stands still, what is unknown, when it ends."""

from __future__ import annotations

import multiprocessing
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
import torch
from hydra import compose as compose_config
from hydra import initialize_config_module
from omegaconf import DictConfig

from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean
from crownlet.datasets.scribal.catalogue import LEARNED_DEFECTS
from crownlet.models.assessor import Assessor, AssessorOutput
from crownlet.models.losses import AssessorTargets, assessor_loss
from crownlet.train.fit.crops import defect_targets
from crownlet.train.fit.fit import fit, make_data, make_module, make_network
from crownlet.train.fit.pool import fill_from_pages
from crownlet.train.fit.reservoir import Reservoir, read_crops
from crownlet.train.fit.scans import CUTS_FOLDER, CUTTING, SOURCE_FILE, cut_afresh, fill_pool
from crownlet.train.fit.weights import HEAD_CHILDREN, facts_of, freeze, load_weights, save_weights

SMALL = ((8, 8, 8, 8), 16)


def configured(*more: str) -> DictConfig:
    with initialize_config_module("crownlet.configs", version_base="1.3"):
        return compose_config("train", ["trainer=tiny", "trainer.progress=false", *more])


@pytest.fixture(scope="module")
def scans(tmp_path_factory: pytest.TempPathFactory, scan_set: Callable[..., Path]) -> Path:
    folder = tmp_path_factory.mktemp("scans and labels")
    return scan_set(folder, {"train": (1,), "validation": (2,)})


def test_a_frozen_trunk_stands_still_and_learning_ends_when_the_scans_gain_nothing(
    tmp_path: Path, scans: Path
) -> None:
    start = tmp_path / "start.safetensors"
    old = Assessor(len(LEARNED_DEFECTS), *SMALL)
    save_weights(old, start, {})
    for folder, seed in (("train", 4), ("watch", 5)):
        page = compose(clean(letters=(20, 30)), seed)
        fill_from_pages(tmp_path / "out" / "pool" / folder, [("r0", page)])
    config = configured(
        "model=assessor", "model.widths=[8,8,8,8]", "model.hidden=16", "model.freeze=trunk",
        f"start_from='{start}'", f"out='{tmp_path}/out'", f"data.folder='{tmp_path}/out/pool'",
        f"data.scans='{scans}'",
        "data.scans_share=0.5", "data.scans_copies=2", "data.watch_pages=1", "data.workers=0",
        "trainer.max_steps=60", "trainer.val_every=1", "trainer.patience=1", "trainer.warmup=1",
        "trainer.batch_size=32", "model.lr=0.5",
    )  # fmt: skip
    path = fit(config)
    new, facts = Assessor(len(LEARNED_DEFECTS), *SMALL), facts_of(path)
    load_weights(new, path)
    for name, value in new.state_dict().items():
        same = torch.equal(value, old.state_dict()[name])
        # Statistics of the batch norms stand still as well.
        assert same is (name.split(".")[0] not in HEAD_CHILDREN["Assessor"]), name
    # So large a step only does harm: it ends long before the steps are used up.
    assert facts["steps"] < 60
    assert facts["best_step"] <= facts["steps"]
    assert facts["scans"][0]["version"] == 2
    # What is read to go on holds tensors and plain values, and no code.
    kept = torch.load(tmp_path / "out" / "last.ckpt", weights_only=True)
    assert kept["global_step"] == facts["steps"]


def test_examples_are_cut_anew_when_the_scans_have_changed(
    tmp_path: Path, scan_set: Callable[..., Path]
) -> None:
    scans, pool = scan_set(tmp_path, {"train": (3,)}), tmp_path / "pool"
    assert fill_pool(pool, scans, "train", 3) == 3
    first = {path.name: path.stat().st_mtime_ns for path in pool.iterdir()}
    assert fill_pool(pool, scans, "train", 3) == 3
    assert first == {path.name: path.stat().st_mtime_ns for path in pool.iterdir()}
    # No two cuts of a page are alike.
    one, two = (np.load(path)["images"] for path in sorted(pool.glob("*.npz"))[:2])
    assert not np.array_equal(one, two)
    (pool / SOURCE_FILE).unlink()
    assert fill_pool(pool, scans, "train", 1) == 1


def test_scans_are_cut_up_again_on_each_pass(tmp_path: Path, scan_set: Callable[..., Path]) -> None:
    scans, pool, fresh = scan_set(tmp_path, {"train": (3,)}), tmp_path / "pool", tmp_path / "fresh"
    fill_pool(pool, scans, "train", 2)
    held = Reservoir(pool, read_crops, 4096, torch.device("cpu"), more=fresh)
    held.top_up()
    shown, few = [held.all_rows()["images"]], held.size
    for first in (2, 3, 4):
        cut_afresh(fresh, scans, first, passes=1)
        held.top_up()
        assert held.size > few  # a pass more to draw from, no crop of which was there before
        shown.append(held.all_rows()["images"][few:])
        few = held.size
    crops = torch.cat(shown).flatten(1)
    assert len(crops.unique(dim=0)) == len(crops)
    # What two passes have replaced is deleted: a long run takes no more room than a short one.
    assert len(list(fresh.glob("*.npz"))) == 2


def test_cutting_ends_with_the_run_and_leaves_nothing(
    tmp_path: Path, scan_set: Callable[..., Path], small_pool: Path
) -> None:
    scans = scan_set(tmp_path, {"train": (3,)})
    for workers, cut in ((1, True), (0, False)):
        config = configured(
            "model=assessor", f"data.folder='{small_pool}'", f"data.scans='{scans}'",
            "data.scans_share=0.5", "data.scans_copies=1", "data.watch_pages=1", "data.pages=0",
            f"data.workers={workers}",
        )  # fmt: skip
        data = make_data(config, torch.device("cpu"))
        data.trainer = cast(
            Any, SimpleNamespace(default_root_dir=str(tmp_path / "run"), global_rank=0)
        )
        (small_pool / "pool.json").unlink(missing_ok=True)
        data.prepare_data()
        fresh = tmp_path / "run" / CUTS_FOLDER / "0"
        end = time.monotonic() + 120
        while cut and not list(fresh.glob("*.npz")) and time.monotonic() < end:
            time.sleep(0.1)
        assert bool(list(fresh.glob("*.npz"))) is cut
        data.teardown("fit")
        assert not fresh.exists()
        assert not [p for p in multiprocessing.active_children() if p.name == CUTTING]


def test_faults_that_nobody_looked_for_are_not_asked() -> None:
    letter = compose(clean(letters=(20, 30)), 1).letters[0]
    every = ~np.isnan(defect_targets(letter))
    few = ~np.isnan(defect_targets(replace(letter, known=("overstretched",))))
    asked = np.array([name == "overstretched" for name in LEARNED_DEFECTS])
    assert np.array_equal(few, every & asked)


def test_parts_that_nobody_drew_are_not_asked() -> None:
    many = len(LEARNED_DEFECTS)
    out = AssessorOutput(
        torch.zeros(2, 28), torch.zeros(2, many), torch.zeros(2, 5), torch.zeros(2, 6, 32, 24),
        torch.zeros(2, 8),
    )  # fmt: skip
    drawn = torch.zeros(2, 6, 32, 24)
    drawn[1, 0, 5:9, 5:9] = 1.0
    both = AssessorTargets(
        torch.tensor([1, 2]), torch.tensor([1, 2]), torch.zeros(2), torch.zeros(2, many),
        torch.tensor([0, 0]), drawn,
    )  # fmt: skip
    # Every probability is a half: its cross entropy is ln 2 whatever the truth, of the drawn alone.
    assert assessor_loss(out, both, 1.0)["parts"].item() == pytest.approx(np.log(2), abs=1e-4)
    none = both._replace(parts=torch.zeros(2, 6, 32, 24))
    assert assessor_loss(out, none, 1.0)["parts"].item() == 0.0


@pytest.mark.parametrize("model", ["assessor", "locator"])
def test_the_optimiser_has_the_heads_alone_when_the_trunk_is_frozen(model: str) -> None:
    config = configured(f"model={model}", "model.freeze=trunk")
    module = make_module(config, make_network(config.model))
    optimizer = module.configure_optimizers()["optimizer"]
    learning = sum(len(group["params"]) for group in optimizer.param_groups)
    assert 0 < learning < len(list(module.network.parameters()))
    with pytest.raises(ValueError, match="none or trunk"):
        freeze(make_network(config.model), "everything")


def test_several_processes_are_chosen_by_configuration_alone() -> None:
    trainer = configured("trainer=ddp").trainer
    assert (trainer.strategy, trainer.accelerator, trainer.max_minutes) == ("ddp", "gpu", 0)
    assert trainer.max_steps > 0

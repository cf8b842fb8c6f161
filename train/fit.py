"""One training run: from a configuration to weights, resumable, logged to CSV and TensorBoard."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytorch_lightning as pl
import torch
from omegaconf import OmegaConf
from pytorch_lightning.callbacks import EMAWeightAveraging, LearningRateMonitor, ModelCheckpoint
from pytorch_lightning.loggers import CSVLogger, TensorBoardLogger

from crownlet.datasets.catalogue import LEARNED_DEFECTS
from crownlet.datasets.page.spec import PageSpec, training
from crownlet.models.assessor import Assessor
from crownlet.models.locator import Locator
from crownlet.train.assessor_module import AssessorModule
from crownlet.train.base_module import BudgetedModule
from crownlet.train.data import PagesDataModule, Renders, Scans, render_train, render_watch
from crownlet.train.locator_module import LocatorModule
from crownlet.train.reservoir import read_crops, read_tile
from crownlet.train.weights import load_weights, save_weights

Config = Any
"""A Hydra configuration; see configs/train.yaml for its keys."""


def make_network(model: Config) -> Assessor | Locator:
    """The network that `configs/model` describes."""
    widths = tuple(model.widths)
    if model.name == "assessor":
        return Assessor(len(LEARNED_DEFECTS), widths, model.hidden)
    if model.name == "locator":
        return Locator(widths, model.head)
    raise ValueError(f"no network is called {model.name!r}: assessor or locator")


def make_module(config: Config, network: Assessor | Locator) -> BudgetedModule:
    """The Lightning module around a network."""
    budget = {
        "lr": config.model.lr, "weight_decay": config.model.weight_decay,
        "max_steps": config.trainer.max_steps, "max_minutes": config.trainer.max_minutes,
        "warmup": config.trainer.warmup,
    }  # fmt: skip
    if isinstance(network, Assessor):
        return AssessorModule(network, config.model.strength, config.model.masks, **budget)
    return LocatorModule(network, config.model.strength, **budget)


def make_renders(config: Config) -> Renders:
    """What to render; pages to watch come from the hands kept for calibration."""
    given: Any = OmegaConf.to_container(config.data.spec, resolve=True)
    changes = {key: tuple(v) if isinstance(v, list) else v for key, v in given.items()}
    spec: PageSpec = training(**changes)
    return Renders(
        Path(config.data.folder), spec, replace(spec, split="calibrate"), config.data.first_seed,
        config.data.pages, config.data.watch_pages, config.data.workers, config.data.minutes,
    )  # fmt: skip


def render(config: Config) -> None:
    """Fill the pool and return when it is full or the time is used up."""
    renders = make_renders(config)
    render_watch(renders)
    for process in render_train(renders):
        process.join()


def make_data(config: Config, device: torch.device) -> PagesDataModule:
    """The data module of a run."""
    scans = Scans(tuple(Path(path) for path in config.data.scans), config.data.scans_share)
    size = config.trainer
    reader = read_crops if config.model.name == "assessor" else read_tile
    return PagesDataModule(
        make_renders(config), scans, reader, size.batch_size, size.capacity, size.wait_rows,
        config.seed, device,
    )  # fmt: skip


def make_trainer(config: Config, out: Path) -> pl.Trainer:
    """Lightning's trainer with averaged weights, a rolling checkpoint and two logs."""
    trainer = config.trainer
    return pl.Trainer(
        accelerator=trainer.accelerator,
        devices=trainer.devices,
        strategy=trainer.strategy,
        precision=trainer.precision,
        max_steps=trainer.max_steps if trainer.max_steps > 0 else -1,
        max_epochs=-1,
        val_check_interval=trainer.val_every,
        check_val_every_n_epoch=None,
        num_sanity_val_steps=0,
        log_every_n_steps=trainer.log_every,
        gradient_clip_val=2.0,
        enable_model_summary=False,
        enable_progress_bar=trainer.progress,
        default_root_dir=out,
        logger=[CSVLogger(out, name="csv"), TensorBoardLogger(out, name="tensorboard")],
        callbacks=[
            EMAWeightAveraging(decay=trainer.ema, use_buffers=True),
            LearningRateMonitor("step"),
            ModelCheckpoint(
                out,
                save_last=True,
                save_top_k=0,
                every_n_train_steps=trainer.val_every,
                enable_version_counter=False,
            ),
        ],
    )


def fit(config: Config) -> Path:
    """Train one network as configured; the path of its weights."""
    pl.seed_everything(config.seed, workers=True, verbose=False)
    torch.set_float32_matmul_precision("high")
    out = Path(config.out)
    out.mkdir(parents=True, exist_ok=True)
    network = make_network(config.model)
    if config.start_from:
        load_weights(network, Path(config.start_from))
    module = make_module(config, network)
    on_gpu = config.trainer.accelerator == "gpu"
    data = make_data(config, torch.device("cuda" if on_gpu else "cpu"))
    trainer = make_trainer(config, out)
    last = out / "last.ckpt"
    trainer.fit(
        module, data,
        ckpt_path=str(last) if config.resume and last.exists() else None,
        weights_only=False,
    )  # fmt: skip
    path = out / f"{config.model.name}.safetensors"
    metrics = {key: float(value) for key, value in trainer.callback_metrics.items()}
    facts: dict[str, object] = {"steps": trainer.global_step, "seed": config.seed, **metrics}
    save_weights(network, path, facts)
    return path

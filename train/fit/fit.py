"""One training run: from a configuration to weights, resumable, logged to CSV and TensorBoard."""

from __future__ import annotations

import inspect
import logging
from pathlib import Path
from typing import Any

import hydra
import pytorch_lightning as pl
import torch
from lightning_fabric.utilities.exceptions import MisconfigurationException
from omegaconf import OmegaConf
from pytorch_lightning.utilities.exceptions import SIGTERMException

from crownlet.models.assessor import Assessor
from crownlet.models.locator import Locator
from crownlet.train.fit.callbacks import (
    WATCHED_METRIC,
    Facts,
    build,
    complete,
    instantiate_all,
    make_callbacks,
)
from crownlet.train.fit.data import (
    PagesDataModule,
    Renders,
    claim_pool,
    render_train,
    render_watch,
)
from crownlet.train.fit.errors import TrainingError
from crownlet.train.fit.modules import BudgetedModule
from crownlet.train.fit.pruning import load_wider
from crownlet.train.fit.record import CHECKPOINT_FILE, open_run
from crownlet.train.fit.scans import paths_of, scan_pages
from crownlet.train.fit.settings import check_settings
from crownlet.train.fit.weights import freeze, load_narrower, load_weights, save_weights

Config = Any
"""A Hydra configuration; see configs/train.yaml for its keys."""

STOPPED_EXIT_CODE = 143
"""Of a run that SIGTERM stopped: 128 + 15, as shells report it."""

INTERRUPTED_EXIT_CODE = 130
"""Of a run that Ctrl+C (SIGINT) stopped: 128 + 2."""


def make_network(model: Config) -> Assessor | Locator:
    """The network that `configs/model` describes; ArchitectureError if it describes none."""
    network: Assessor | Locator = build(model.network, "model.network")
    return network


def start_weights(network: Assessor | Locator, config: Config) -> None:
    """Fill a network from `start_from`, narrower or wider where the configuration allows it."""
    if config.grow and config.prune:
        raise TrainingError("grow=true and prune=true exclude each other")
    begin = load_narrower if config.grow else load_wider if config.prune else load_weights
    begin(network, Path(config.start_from))


def make_module(config: Config, network: Assessor | Locator) -> BudgetedModule:
    """The Lightning module around a network."""
    frozen = freeze(network, config.model.freeze)
    module: BudgetedModule = complete(config.model.module, "model.module", network=network)
    module.keep_still(frozen)
    return module


def make_renders(config: Config) -> Renders:
    """What to render."""
    renders: Renders = build(config.data.renders, "data.renders")
    return renders


def render_pool(config: Config) -> Path:
    """Fill the pool and return its folder when it is full or the time is used up."""
    renders = make_renders(config)
    claim_pool(renders)
    render_watch(renders)
    for process in render_train(renders):
        process.join()
    return renders.folder


def watches_scans(config: Config) -> bool:
    """Whether any labelled scans are kept to watch the training by."""
    return any(
        next(iter(scan_pages(path, "validation")), None) for path in paths_of(config.data.scans)
    )


def make_data(config: Config, device: torch.device) -> PagesDataModule:
    """The data module of a run, its examples in the memory of `device`."""
    data: PagesDataModule = complete(config.data.module, "data.module", device=device)
    return data


OWN_TRAINER_KEYS = frozenset({
    "_target_", "max_steps", "max_minutes", "until", "warmup", "ema", "val_every", "patience",
    "log_every", "batch_size", "capacity", "wait_rows", "progress", "compile",
})  # fmt: skip
"""Keys of the group `trainer` that are not handed to Lightning's Trainer by these names."""


def make_trainer(config: Config, out: Path, facts: Facts) -> pl.Trainer:
    """Lightning's trainer; TrainingError for an argument that it does not have."""
    trainer = config.trainer
    passed = {key: value for key, value in trainer.items() if key not in OWN_TRAINER_KEYS}
    by_clock = trainer.until > 0 or trainer.max_steps <= 0
    ours = {
        "max_steps": -1 if by_clock else trainer.max_steps, "max_epochs": -1,
        "val_check_interval": trainer.val_every, "check_val_every_n_epoch": None,
        "num_sanity_val_steps": 0, "log_every_n_steps": trainer.log_every,
        "enable_model_summary": False, "enable_progress_bar": trainer.progress,
        "default_root_dir": out,
    }  # fmt: skip
    callbacks = make_callbacks(config, out, facts, watches_scans(config))
    kind = hydra.utils.get_class(trainer["_target_"])
    known = inspect.signature(kind).parameters
    unknown = sorted(set(passed) - set(known))
    if unknown:
        raise TrainingError(f"trainer.{unknown[0]}: {kind.__name__} has no such argument")
    loggers = instantiate_all(config.logger)
    try:
        made: pl.Trainer = kind(**{**ours, **passed}, callbacks=callbacks, logger=loggers)
    except (MisconfigurationException, TypeError) as error:
        raise TrainingError(f"trainer: {error}") from None
    return made


def fit(config: Config) -> Path:
    """Train one network as configured; the path of its weights.

    Checkpoints (`last.ckpt`, `best.ckpt`) are for going on here and are never shipped; they are
    read as tensors and plain values only. TrainingError if the run cannot begin or go on;
    SystemExit with `STOPPED_EXIT_CODE` or `INTERRUPTED_EXIT_CODE` if it is stopped by SIGTERM or
    Ctrl+C, its checkpoint kept.
    """
    check_settings(config)
    run = open_run(config)
    config = OmegaConf.merge(config, {"out": str(run.folder)})
    silence_advertisements()
    pl.seed_everything(config.seed, workers=True, verbose=False)
    torch.set_float32_matmul_precision("high")
    network = make_network(config.model)
    if config.start_from and run.checkpoint is None:
        start_weights(network, config)
    module = make_module(config, network)
    if config.trainer.compile:
        network.compile()
    on_gpu = config.trainer.accelerator == "gpu"
    data = make_data(config, torch.device("cuda" if on_gpu else "cpu"))

    def facts(trainer: pl.Trainer) -> dict[str, object]:
        """Metadata of the weights: how they were trained, on what, and how they scored."""
        return {
            **run.facts(), "steps": trainer.global_step, "seen": data.seen(), **metrics_of(trainer)
        }  # fmt: skip

    trainer = make_trainer(config, run.folder, facts)
    if trainer.is_global_zero:
        run.write()
    try:
        trainer.fit(
            module, data,
            ckpt_path=str(run.checkpoint) if run.checkpoint else None, weights_only=True,
        )  # fmt: skip
    except (SIGTERMException, SystemExit) as stop:
        # Lightning itself ends the process where Ctrl+C stopped it.
        by_signal = isinstance(stop, SIGTERMException)
        where = f"resume={run.folder} goes on from step {trainer.global_step}"
        kept = (run.folder / CHECKPOINT_FILE).exists()
        print(
            f"stopped by {'SIGTERM' if by_signal else 'Ctrl+C'}; "
            f"{where if kept else 'no checkpoint was there yet'}",
            flush=True,
        )
        raise SystemExit(STOPPED_EXIT_CODE if by_signal else INTERRUPTED_EXIT_CODE) from None
    path = run.folder / f"{config.model.name}.safetensors"
    best = _take_best(trainer, module)
    if trainer.is_global_zero:
        run.end(metrics_of(trainer))
        save_weights(network, path, {**facts(trainer), **best})
    return path


def silence_advertisements() -> None:
    """Leave out the lines by which Lightning recommends services of its makers."""
    logger = logging.getLogger("pytorch_lightning.utilities.rank_zero")
    if _is_no_tip not in logger.filters:
        logger.addFilter(_is_no_tip)


def _is_no_tip(record: logging.LogRecord) -> bool:
    return "Tip: For seamless" not in record.getMessage()


def metrics_of(trainer: pl.Trainer) -> dict[str, float]:
    """The last value of every metric."""
    return {key: float(value) for key, value in trainer.callback_metrics.items()}


def _take_best(trainer: pl.Trainer, module: BudgetedModule) -> dict[str, object]:
    """Put the weights that did best on the watched scans in place, and return their step;
    where none are watched the last averaged ones stay."""
    for callback in trainer.checkpoint_callbacks:
        path = getattr(callback, "best_model_path", "")
        if getattr(callback, "monitor", None) == WATCHED_METRIC and path:
            kept = torch.load(path, map_location="cpu", weights_only=True)
            module.load_state_dict(kept["state_dict"])
            return {"best_step": int(kept["global_step"])}
    return {}

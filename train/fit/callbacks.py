"""What happens beside the steps of a run: weights and checkpoints kept, also when it is stopped."""

from __future__ import annotations

import copy
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import hydra
import pytorch_lightning as pl
from hydra.errors import InstantiationException
from pytorch_lightning.callbacks import (
    Callback,
    EarlyStopping,
    ModelCheckpoint,
)
from pytorch_lightning.utilities.exceptions import SIGTERMException

from crownlet.datasets.files.errors import CrownletError
from crownlet.models.assessor import Assessor
from crownlet.models.locator import Locator
from crownlet.train.fit.errors import TrainingError
from crownlet.train.fit.record import CHECKPOINT_FILE
from crownlet.train.fit.weights import save_weights

WATCHED_METRIC = "val_scans/loss"
"""Metric that selects the best step and ends training, where scans are watched."""

Facts = Callable[[pl.Trainer], dict[str, object]]


class KeptWeights(Callback):
    """Writes the averaged weights at each look at the watched pages: a run that is cut short
    leaves them. It must stand before what averages, which takes the averages out again."""

    def __init__(self, path: Path, facts: Facts) -> None:
        self.path, self.facts, self.start = path, facts, time.monotonic()
        self._averaged: Assessor | Locator | None = None

    def on_validation_epoch_end(self, trainer: pl.Trainer, pl_module: pl.LightningModule) -> None:
        """Copy them while they are in place; the metrics of this look come a moment later."""
        network = pl_module.network
        if trainer.is_global_zero and isinstance(network, Assessor | Locator):
            self._averaged = copy.deepcopy(network)

    def on_validation_end(self, trainer: pl.Trainer, pl_module: pl.LightningModule) -> None:
        """Write them with the metrics, and show how far the run is."""
        if self._averaged is None:
            return
        save_weights(self._averaged, self.path, self.facts(trainer))
        self._averaged = None
        seconds = time.monotonic() - self.start
        error = float(trainer.callback_metrics.get("val/letter_error", float("nan")))
        print(f"step {trainer.global_step}, {seconds:.0f} s, letter error {error:.5f}", flush=True)


class KeptCheckpoint(Callback):
    """Keeps a checkpoint when a run is stopped from outside (SIGTERM, Ctrl+C)."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def on_exception(
        self, trainer: pl.Trainer, pl_module: pl.LightningModule, exception: BaseException
    ) -> None:
        """Write it; during a look at the watched pages the last one, a moment old, stays."""
        stopped = isinstance(exception, SIGTERMException | KeyboardInterrupt)
        # While it validates, the module holds the averaged weights, not those that learn.
        if stopped and trainer.training and trainer.global_step and trainer.world_size == 1:
            trainer.save_checkpoint(self.path)


def build(entry: Any, name: str) -> Any:
    """What an entry of the configuration with a `_target_` makes; TrainingError, or the error of
    ours that it raised, names one that cannot be made."""
    try:
        return hydra.utils.instantiate(entry)
    except InstantiationException as error:
        if isinstance(error.__cause__, CrownletError):
            raise error.__cause__ from None
        reason = str(error.__cause__ or error).splitlines()[0]
        raise TrainingError(f"{name} ({entry._target_}): {reason}") from None


def complete(entry: Any, name: str, **given: Any) -> Any:
    """What an entry with `_partial_` makes of the rest of its arguments; TrainingError as above."""
    try:
        return build(entry, name)(**given)
    except TypeError as error:
        raise TrainingError(f"{name} ({entry._target_}): {error}") from None


def instantiate_all(group: Any) -> list[Any]:
    """One object for each entry of a Hydra group; TrainingError names one that cannot be made."""
    return [build(entry, name) for name, entry in (group or {}).items() if entry]


def make_callbacks(config: Any, out: Path, facts: Facts, watches_scans: bool) -> list[Callback]:
    """Averaged weights and a rolling checkpoint; where scans are watched, the best one as well."""
    trainer = config.trainer
    callbacks: list[Callback] = [
        KeptWeights(out / f"{config.model.name}.safetensors", facts),
        *instantiate_all(config.callbacks),
        ModelCheckpoint(
            out, save_last=True, save_top_k=0, every_n_train_steps=trainer.val_every,
            enable_version_counter=False,
        ),
        KeptCheckpoint(out / CHECKPOINT_FILE),
    ]  # fmt: skip
    if watches_scans:
        best = ModelCheckpoint(
            out, "best", monitor=WATCHED_METRIC, save_top_k=1, enable_version_counter=False
        )
        callbacks.append(best)
        if trainer.patience:
            callbacks.append(EarlyStopping(WATCHED_METRIC, patience=trainer.patience, mode="min"))
    return callbacks

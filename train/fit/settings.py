"""Numbers of a training run's configuration, checked before anything is rendered or read."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

from omegaconf import OmegaConf

from crownlet.train.fit.errors import TrainingError


class NumberRange(NamedTuple):
    """What a setting may be, both ends included."""

    least: float
    most: float = math.inf
    whole: bool = True


RANGES = {
    "seed": NumberRange(0),
    "trainer.max_steps": NumberRange(-1),
    "trainer.max_minutes": NumberRange(0, whole=False),
    "trainer.until": NumberRange(0, whole=False),
    "trainer.warmup": NumberRange(0),
    "trainer.val_every": NumberRange(1),
    "trainer.patience": NumberRange(0),
    "trainer.log_every": NumberRange(1),
    "trainer.batch_size": NumberRange(1),
    "trainer.capacity": NumberRange(1),
    "trainer.wait_rows": NumberRange(1),
    "data.pages": NumberRange(0),
    "data.watch_pages": NumberRange(0),
    "data.workers": NumberRange(0),
    "data.minutes": NumberRange(0, whole=False),
    "data.scans_share": NumberRange(0, 1, whole=False),
    "data.scans_copies": NumberRange(1),
    "model.weight_decay": NumberRange(0, whole=False),
}
"""By the key of the configuration."""


def check_settings(config: Any) -> None:
    """TrainingError names the first setting that is no such number."""
    for key, range_ in RANGES.items():
        value = OmegaConf.select(config, key)
        kinds = int if range_.whole else int | float
        fits = isinstance(value, kinds) and not isinstance(value, bool)
        if not (fits and range_.least <= value <= range_.most):
            kind = "a whole number" if range_.whole else "a number"
            span = f"from {range_.least:g} to {range_.most:g}"
            if math.isinf(range_.most):
                span = f"of at least {range_.least:g}"
            raise TrainingError(f"{key}={value}: {kind} {span} is needed")

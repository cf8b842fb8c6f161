"""How many examples the training device paints, and how many it learns from.

Part of `python -m crownlet.train.bench.rendering --device cuda`; times are by the clock.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from unittest import mock

import torch
from hydra import compose as compose_config
from hydra import initialize_config_module
from hydra.utils import instantiate
from omegaconf import DictConfig

from crownlet.train.fit.augment import Strengths, change_crops
from crownlet.train.fit.augment_tiles import change_tiles
from crownlet.train.fit.callbacks import complete
from crownlet.train.fit.fit import make_network
from crownlet.train.fit.modules import AssessorModule, LocatorModule
from crownlet.train.fit.painting import WIDE_READERS, SkinPainter, read_skins
from crownlet.train.fit.pool import Paint
from crownlet.train.fit.reservoir import Batch, Reader, Reservoir, Source, read_crops, read_tiles

PAGES = 12
"""Pages that are shown again and again: what they hold does not change the time."""

WARM_STEPS = 3

READERS: dict[str, Reader] = {"assessor": read_crops, "locator": read_tiles}

CPU_BATCH = {"assessor": 64, "locator": 4}


@dataclass(frozen=True)
class Feed:
    """Examples for one network, as they are kept and as a device paints them."""

    kept: Source
    painted: Source
    count: int

    def draw(self, painted: bool) -> Batch:
        """A batch of `count` rows."""
        seed = int(torch.randint(1 << 40, (1,)))
        source = self.painted if painted else self.kept
        return source.draw(self.count, torch.Generator().manual_seed(seed), 0.0)


def measure_device(
    name: str, seconds: float, fill: Callable[[Path, int, Paint], None], batch_factor: int = 1,
    narrow: bool = False,
) -> Iterator[str]:  # fmt: skip
    """Lines of text: for each network the examples a second that are drawn as they are kept, drawn
    and painted, changed, and learned from in either way, compiled and not.

    `fill` renders so many pages into a folder; a batch holds `batch_factor` times as many examples
    as that of the model group, since a device that waits for the next call does more with larger
    ones; `narrow` takes the networks of the group `hparams`.
    """
    device = torch.device(name)
    with tempfile.TemporaryDirectory() as folder:
        pictures, flat = Path(folder) / "pictures", Path(folder) / "flat"
        fill(pictures, PAGES, "processor")
        fill(flat, PAGES, "device")
        for model, reader in READERS.items():
            config = _configure(model, device, narrow)
            count = config.model.batch_size if device.type == "cuda" else CPU_BATCH[model]
            count *= batch_factor
            wide, painting = WIDE_READERS[reader]
            painter = SkinPainter(painting, _read(flat, read_skins, device))
            feed = Feed(
                Source(_read(pictures, reader, device), 1.0, bool),
                Source(_read(flat, wide, device), 1.0, bool, painter),
                count,
            )
            for what, action in _actions(model, config, feed, device):
                rate = count * _repeat(action, device, seconds)
                yield f"{model}, {count} at once on {device}: {rate:.0f} a second {what}"


def _actions(
    model: str, config: DictConfig, feed: Feed, device: torch.device
) -> Iterator[tuple[str, Callable[[], object]]]:
    """What is timed, in words and as a function."""
    changes: Strengths = instantiate(config.model.changes)
    change = change_crops if model == "assessor" else change_tiles
    batch = feed.draw(painted=False)
    yield "drawn", partial(feed.draw, False)
    yield "drawn and painted", partial(feed.draw, True)
    yield "changed", partial(change, batch, changes)
    for compiled in (False, True) if device.type == "cuda" else (False,):
        step = _learner(config, device, compiled)
        way = ", compiled" if compiled else ""
        yield f"learned from{way}", partial(step, feed, False)
        yield f"painted and learned from{way}", partial(step, feed, True)


def _configure(model: str, device: torch.device, narrow: bool) -> DictConfig:
    trainer = "gpu" if device.type == "cuda" else "cpu"
    sizes = [f"+hparams=narrow_{model}"] if narrow else []
    with initialize_config_module("crownlet.configs", version_base="1.3"):
        return compose_config("train", [f"model={model}", f"trainer={trainer}", *sizes])


def _read(folder: Path, reader: Reader, device: torch.device) -> Reservoir:
    reservoir = Reservoir(folder, reader, 1 << 20, device)
    reservoir.top_up()
    return reservoir


def _learner(
    config: DictConfig, device: torch.device, compiled: bool
) -> Callable[[Feed, bool], None]:
    """One step of training, as Lightning's trainer takes it."""
    torch.set_float32_matmul_precision("high")
    torch.backends.cudnn.benchmark = True
    network = make_network(config.model)
    module: AssessorModule | LocatorModule = complete(
        config.model.module, "model.module", network=network
    ).to(device)
    if compiled:
        network.compile()
    optimizer = module.configure_optimizers()["optimizer"]

    def step(feed: Feed, painted: bool) -> None:
        batch = feed.draw(painted)
        on_gpu = device.type == "cuda"
        with (
            torch.autocast(device.type, torch.bfloat16, enabled=on_gpu),
            mock.patch.object(module, "note"),
        ):
            loss = module.training_step(batch, 0)
        optimizer.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(module.parameters(), config.trainer.gradient_clip_val)
        optimizer.step()

    return step


def _repeat(action: Callable[[], object], device: torch.device, seconds: float) -> float:
    """How often a second `action` is done."""
    for _ in range(WARM_STEPS):
        action()
    _finish(device)
    start, done = time.monotonic(), 0
    while not done or time.monotonic() - start < seconds:
        action()
        done += 1
        if done % 8 == 0:
            _finish(device)
    _finish(device)
    return done / (time.monotonic() - start)


def _finish(device: torch.device) -> None:
    if device.type == "cuda":
        torch.cuda.synchronize(device)

"""Small data sets of rendered pages for the tests of retraining and of the gate."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from hydra import compose as compose_config
from hydra import initialize_config_module
from omegaconf import DictConfig
from PIL import Image

from crownlet.datasets.coco.write import to_coco
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean
from crownlet.datasets.scans.add import ScanSource, add_scans
from crownlet.train.fit.pool import fill_from_pages


def make_scans(folder: Path, splits: dict[str, tuple[int, ...]], **spec: object) -> Path:
    """A data set in `folder`/set with one page by one hand for each seed of each split."""
    came = folder / "came"
    came.mkdir(parents=True)
    for split, seeds in splits.items():
        for seed in seeds:
            page = compose(clean(**({"letters": (20, 30), "body": (40.0, 40.0)} | spec)), seed)
            picture, labels = came / f"{split}{seed}.png", came / f"{split}{seed}.json"
            Image.fromarray(page.image).save(picture)
            labels.write_text(json.dumps(to_coco([page], [picture.name])), encoding="utf-8")
            source = ScanSource([picture], split, "rendered", [labels], scroll=f"hand {seed}")
            _, wrong = add_scans(folder / "set", source)
            assert not wrong, wrong
    return folder / "set"


@pytest.fixture(scope="session")
def scan_set() -> Callable[..., Path]:
    return make_scans


def fill_small_pool(folder: Path) -> Path:
    """A pool of two small pages to learn from and one to watch by, each by a hand of its own."""
    for part, seeds in (("train", (4, 6)), ("watch", (5,))):
        pages = [(f"r{seed}", compose(clean(letters=(20, 30)), seed)) for seed in seeds]
        fill_from_pages(folder / part, pages)
    return folder


@pytest.fixture(scope="session")
def small_pool(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return fill_small_pool(tmp_path_factory.mktemp("small") / "pool")


def small_run(pool: Path, out: Path, *more: str) -> DictConfig:
    """The configuration of a run of seconds: a narrow assessor on a pool that is full already."""
    with initialize_config_module("crownlet.configs", version_base="1.3"):
        return compose_config(
            "train",
            [
                "model=assessor", "model.widths=[8,8,8,8]", "model.hidden=16", "trainer=tiny",
                "trainer.progress=false", f"out='{out}'", f"data.folder='{pool}'",
                "data.watch_pages=1", "data.workers=0", *more,
            ],
        )  # fmt: skip

"""Small data sets of rendered pages for the tests of retraining and of the gate."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from PIL import Image

from crownlet.datasets.coco.write import to_coco
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean
from crownlet.datasets.scans.add import ScanSource, add_scans


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

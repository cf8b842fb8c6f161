"""`crownlet-render`: pages and their COCO labels from one Hydra configuration."""

from __future__ import annotations

import json
import multiprocessing as mp
import sys
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import hydra
from omegaconf import DictConfig, OmegaConf
from tqdm import tqdm

from crownlet.datasets.coco.write import Json, collect, record
from crownlet.datasets.files.atomic import write_file
from crownlet.datasets.files.locks import FolderBusyError, hold_folder
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import PageSpec, spec_from
from crownlet.datasets.scribal.texts import read_portion

Record = tuple[Json, list[Json]]


@hydra.main(version_base="1.3", config_path="pkg://crownlet.configs", config_name="render")
def main(config: DictConfig) -> None:
    """Render the configured pages into `config.out`."""
    try:
        values: dict[str, Any] = OmegaConf.to_container(config, resolve=True)  # type: ignore[assignment]
        spec = spec_from(values["render"], values["augment"])
        out = Path(config.out)
        with hold_folder(out, "crownlet-render"):
            labels = render(out, spec, config.pages, config.seed, config.workers)
    except (ValueError, OSError, FolderBusyError) as error:
        print(f"crownlet-render: {error}", file=sys.stderr)
        raise SystemExit(2) from None
    print(f"{config.pages} pages, labels in {labels}")


def render(out: Path, spec: PageSpec, pages: int, seed: int = 0, workers: int = 0) -> Path:
    """Write `pages` pages to `out`/images and their labels to `out`/annotations.json.

    Page i is made from `seed` + i, whatever the number of `workers` (0 renders in this process).
    Each file appears whole or not at all, the labels last. Returns the path of the labels.
    """
    if pages < 1:
        raise ValueError(f"{pages} pages were asked for; there must be at least one")
    if spec.portion is not None:
        read_portion(spec.portion)  # an unknown portion should fail here, not in a worker
    (out / "images").mkdir(parents=True, exist_ok=True)
    numbers = range(pages)
    job = partial(_render_page, out / "images", spec, seed)
    progress = tqdm(_run(job, numbers, workers), total=pages, unit="page", disable=None)
    labels = out / "annotations.json"
    text = json.dumps(collect(progress), ensure_ascii=False, separators=(",", ":"))
    write_file(labels, text)
    return labels


def _run(job: partial[Record], numbers: range, workers: int) -> Iterator[Record]:
    if workers < 1:
        yield from map(job, numbers)
        return
    with mp.get_context("spawn").Pool(workers, _single_threaded) as pool:
        yield from pool.imap(job, numbers)


def _single_threaded() -> None:
    cv2.setNumThreads(1)


def _render_page(folder: Path, spec: PageSpec, seed: int, number: int) -> Record:
    page = compose(spec, seed + number)
    name = f"{number:06d}.png"
    done, data = cv2.imencode(".png", page.image[:, :, ::-1])
    if not done:
        raise OSError(f"{name} could not be encoded")
    write_file(folder / name, data.tobytes())
    return record(page, name)


if __name__ == "__main__":
    main()

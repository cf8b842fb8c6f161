"""Both networks run plainly in torch on what a page shows them: what the export is held against."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
import torch
from torch import Tensor

from crownlet.datasets.catalogue import LEARNED_DEFECTS
from crownlet.models.assessor import Assessor
from crownlet.models.locator import Locator
from crownlet.train.weights import load_weights


def seconds_in_torch(
    folder: Path,
    pages: Sequence[npt.NDArray[np.float32]],
    crops: Sequence[npt.NDArray[np.uint8]],
    repeats: int,
    threads: int,
) -> dict[str, float]:
    """Least seconds of `repeats` runs of each network of `folder`, its safetensors beside it."""
    torch.set_num_threads(threads)
    locator, assessor = Locator().eval(), Assessor(len(LEARNED_DEFECTS)).eval()
    load_weights(locator, folder / "locator.safetensors")
    load_weights(assessor, folder / "assessor.safetensors")
    whole = [torch.from_numpy(page) for page in pages]
    batches = [torch.from_numpy(batch) for batch in crops]

    def assess(batch: Tensor) -> object:
        return assessor(batch.float() / 255.0)

    with torch.inference_mode():
        return {
            "locator": _best(repeats, lambda: [locator(page) for page in whole]),
            "assessor": _best(repeats, lambda: [assess(batch) for batch in batches]),
        }


def _best(repeats: int, action: Callable[[], object]) -> float:
    action()
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        action()
        times.append(time.perf_counter() - start)
    return min(times)

"""Both networks alone on what a page shows them: time, and share of what the processor can do."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from crownlet.infer.bench.peak import best_of
from crownlet.infer.bench.work import flops_a_crop, flops_a_pixel
from crownlet.infer.sessions import Float32, LocatorMaps, ModelInfo, Sessions


@dataclass
class Shown:
    """Networks that keep what they were shown."""

    sessions: Sessions
    pages: list[Float32] = field(default_factory=list)
    crops: list[npt.NDArray[np.uint8]] = field(default_factory=list)

    @property
    def info(self) -> ModelInfo:
        """Names and versions."""
        return self.sessions.info

    @property
    def lanes(self) -> int:
        """Batches assessed at once."""
        return self.sessions.lanes

    def locate(self, page: Float32) -> LocatorMaps:
        """As `Sessions.locate`."""
        self.pages.append(page)
        return self.sessions.locate(page)

    def assess(self, crops: npt.NDArray[np.uint8]) -> tuple[Float32, Float32, Float32, Float32]:
        """As `Sessions.assess`."""
        self.crops.append(crops)
        return self.sessions.assess(crops)


def shown(sessions: Sessions, page: Path) -> Shown:
    """What both networks are shown of a page, trial windows of its size with it."""
    from crownlet.infer.inspector import Inspector

    kept = Shown(sessions)
    Inspector(sessions.folder, networks=kept, measured=False).inspect(page)
    return kept


def alone(kept: Shown, peak: float, repeats: int) -> dict[str, dict[str, Any]]:
    """By network: seconds, operations and share of `peak` (operations a second)."""
    sessions = kept.sessions
    with ThreadPoolExecutor(sessions.lanes) as pool:
        seconds = {
            "locator": best_of(repeats, lambda: [sessions.locate(page) for page in kept.pages]),
            "assessor": best_of(repeats, lambda: list(pool.map(sessions.assess, kept.crops))),
        }
    taken = {
        "locator": flops_a_pixel(sessions.folder) * sum(page.size for page in kept.pages),
        "assessor": flops_a_crop(sessions.folder) * sum(map(len, kept.crops)),
    }
    return {
        name: {
            "seconds": spent, "gigaflop": taken[name] / 1e9,
            "gigaflop_a_second": taken[name] / spent / 1e9,
            "share_of_peak": taken[name] / spent / peak,
        }
        for name, spent in seconds.items()
    }  # fmt: skip

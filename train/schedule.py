"""How far a run is, by steps or by minutes, and the learning rate that follows from it."""

from __future__ import annotations

import math
import time


class Budget:
    """A run's allowance in steps and seconds. Time spent before a resume counts."""

    def __init__(self, steps: int, seconds: float) -> None:
        self.steps = steps
        self.seconds = seconds
        self.spent = 0.0
        self._since: float | None = None

    def start(self) -> None:
        """Begin, or go on after a resume."""
        self._since = time.monotonic()

    def elapsed(self) -> float:
        """Seconds trained so far, earlier parts of the run included."""
        return self.spent + (time.monotonic() - self._since if self._since is not None else 0.0)

    def progress(self, step: int) -> float:
        """Share of the allowance used, 0 to 1."""
        by_steps = step / self.steps if self.steps > 0 else 0.0
        by_time = self.elapsed() / self.seconds if self.seconds > 0 else 0.0
        return min(1.0, max(by_steps, by_time))


def rate(progress: float, step: int, warmup: int = 200) -> float:
    """Share of the peak learning rate: linear warm-up in steps, then a cosine down to 1%."""
    ramp = min(1.0, (step + 1) / max(1, warmup))
    return ramp * (0.01 + 0.99 * 0.5 * (1 + math.cos(math.pi * progress)))

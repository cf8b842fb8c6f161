"""Decisions of readers, as an entry shows them; read from the run's review if there was one."""

from __future__ import annotations

from dataclasses import dataclass

from crownlet.infer.run import Run


@dataclass(frozen=True)
class Decided:
    """What one reader decided about one finding."""

    says: str
    """The decision in plain words."""
    reader: str
    day: str
    note: str = ""


def decisions_of(run: Run) -> dict[tuple[str, int], tuple[Decided, ...]]:
    """Decisions that stand, by page and number of the finding; empty where nobody has reviewed."""
    return {}

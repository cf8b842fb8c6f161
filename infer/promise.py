"""What the thresholds promise, for which scrolls and within what limits; read, never worked out.

The calibration writes it into `thresholds.yaml`; the records of pages carry it on.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

NONE = "none"
OTHERS = (
    "The promise was made for other networks than these; for these nothing is promised until the"
    " thresholds are calibrated on them."
)


@dataclass(frozen=True)
class DefectPromise:
    """Of one defect; None for a side of which nothing is promised."""

    cleared_at_most: float | None
    """Share of a scroll's plain cases that is cleared, on average over scrolls."""
    findings_true_at_least: float | None
    """Share of a scroll's findings that is true, on average over scrolls."""
    scrolls: int
    cases: int


@dataclass(frozen=True)
class Promise:
    """What a file of thresholds promises."""

    confidence: float
    of: str
    """Whether the confidence is of each promise alone or of all together."""
    calibration: Mapping[str, Any]
    """The scrolls on which it was made, and the networks for which."""
    limits: tuple[str, ...]
    load: Mapping[str, float]
    """Shares of the calibration's letters that go to review and to finding."""
    defects: Mapping[str, DefectPromise | None]

    def made_for(self, checksums: Mapping[str, str]) -> bool:
        """Whether these are the networks it was made for, by their files' checksums."""
        model = self.calibration.get("model")
        return isinstance(model, Mapping) and all(
            model.get(name) == checksum for name, checksum in checksums.items()
        )

    def record(self, checksums: Mapping[str, str]) -> dict[str, Any]:
        """For `page.json`, in plain values."""
        if not self.made_for(checksums):
            return {"note": OTHERS}
        return {
            "unit": "scroll",
            "confidence": self.confidence,
            "of": self.of,
            "calibration": {k: v for k, v in self.calibration.items() if k != "model"},
            "limits": list(self.limits),
            "load": dict(self.load),
            "defects": {name: _plain(promise) for name, promise in self.defects.items()},
        }


def _plain(promise: DefectPromise | None) -> dict[str, Any] | str:
    if promise is None:
        return NONE
    return {
        "cleared_at_most": promise.cleared_at_most,
        "findings_true_at_least": promise.findings_true_at_least,
        "scrolls": promise.scrolls,
        "cases": promise.cases,
    }


def parse_promise(data: Mapping[str, Any]) -> Promise | None:
    """From the plain values of `thresholds.yaml`; None for a file that promises nothing.

    KeyError, TypeError or ValueError for a promise that is misstated.
    """
    head = data.get("promise", NONE)
    rows = {str(name): row.get("promise", NONE) for name, row in data["defects"].items()}
    if head == NONE:
        if any(row != NONE for row in rows.values()):
            raise ValueError("promises of defects without a promise at the head")
        return None
    return Promise(
        confidence=share(head["confidence"]),
        of=str(head["of"]),
        calibration=dict(head["calibration"]),
        limits=tuple(str(sentence) for sentence in head["limits"]),
        load={str(name): share(value) for name, value in head["load"].items()},
        defects={name: None if row == NONE else _defect(row) for name, row in rows.items()},
    )


def _defect(row: Mapping[str, Any]) -> DefectPromise:
    cleared, true = row["cleared_at_most"], row["findings_true_at_least"]
    return DefectPromise(
        None if cleared is None else share(cleared),
        None if true is None else share(true),
        int(row["scrolls"]),
        int(row["cases"]),
    )


def share(value: Any) -> float:
    """A number from 0 to 1 as a file gives it; ValueError for any other."""
    number = float(value)
    if not 0.0 <= number <= 1.0:
        raise ValueError(f"{number} is not between 0 and 1")
    return number

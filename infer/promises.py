"""What thresholds promise: error rates of a defect's two borders, per scroll.

`train/risk_control` makes the promises and writes them into `thresholds.yaml`; every `page.json`
repeats them, where the networks are those for which they hold.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from crownlet.datasets.files.documents import parse_share

NO_PROMISE = "none"
"""Value in the files where nothing is promised."""

OTHER_NETWORKS_NOTE = (
    "The promise was made for other networks than these; for these nothing is promised until the"
    " thresholds are calibrated on them."
)


@dataclass(frozen=True)
class DefectPromise:
    """What is promised of one defect; None for a side without a promise."""

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
    """The scrolls on which it was made, and the networks for which it holds."""
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
        """Plain values for `page.json`; a note alone where the networks are others."""
        if not self.made_for(checksums):
            return {"note": OTHER_NETWORKS_NOTE}
        return {
            "unit": "scroll",
            "confidence": self.confidence,
            "of": self.of,
            "calibration": {k: v for k, v in self.calibration.items() if k != "model"},
            "limits": list(self.limits),
            "load": dict(self.load),
            "defects": {name: _promise_values(promise) for name, promise in self.defects.items()},
        }


def parse_promise(data: Mapping[str, Any]) -> Promise | None:
    """The promises of `thresholds.yaml`; None for a file that promises nothing.

    Errors: KeyError, TypeError or ValueError for a promise that is misstated.
    """
    head = data.get("promise", NO_PROMISE)
    rows = {str(name): row.get("promise", NO_PROMISE) for name, row in data["defects"].items()}
    if head == NO_PROMISE:
        if any(row != NO_PROMISE for row in rows.values()):
            raise ValueError("promises of defects without a promise at the head")
        return None
    return Promise(
        confidence=parse_share(head["confidence"]),
        of=str(head["of"]),
        calibration=dict(head["calibration"]),
        limits=tuple(str(sentence) for sentence in head["limits"]),
        load={str(name): parse_share(value) for name, value in head["load"].items()},
        defects={
            name: None if row == NO_PROMISE else _parse_defect_promise(row)
            for name, row in rows.items()
        },
    )


def _promise_values(promise: DefectPromise | None) -> dict[str, Any] | str:
    if promise is None:
        return NO_PROMISE
    return {
        "cleared_at_most": promise.cleared_at_most,
        "findings_true_at_least": promise.findings_true_at_least,
        "scrolls": promise.scrolls,
        "cases": promise.cases,
    }


def _parse_defect_promise(row: Mapping[str, Any]) -> DefectPromise:
    cleared, true = row["cleared_at_most"], row["findings_true_at_least"]
    return DefectPromise(
        None if cleared is None else parse_share(cleared),
        None if true is None else parse_share(true),
        int(row["scrolls"]),
        int(row["cases"]),
    )

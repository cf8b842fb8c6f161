"""`thresholds.yaml` from the chosen thresholds: what is promised, and its limits."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import yaml

from crownlet.datasets.files.atomic import write_file
from crownlet.infer.promises import NO_PROMISE
from crownlet.train.risk_control.choose import ReviewLoad, RiskTargets, ThresholdChoice
from crownlet.train.risk_control.evidence import Evidence

_FACT_KEYS = (
    "split", "pages", "pages_refused", "pages_failed", "first_seed", "customs", "date", "model",
)  # fmt: skip


def build_document(
    evidence: Evidence,
    choices: Mapping[str, ThresholdChoice],
    load: ReviewLoad,
    aims: RiskTargets,
    version: str,
) -> dict[str, Any]:
    """What `crownlet.infer.thresholds` reads, as plain values."""
    scrolls = len(np.unique(evidence.scroll))
    source = evidence.facts.get("source", "renders")
    rendered = source == "renders"
    of_what = (
        "rendered pages, each by a hand of the calibration split"
        if rendered
        else "labelled scrolls"
    )
    return {
        "version": version,
        "provenance": (
            f"{len(evidence)} letters on {scrolls} {of_what},"
            f" {evidence.facts.get('date', '')}; chosen by tests in a fixed order, by scroll."
        ),
        "promise": {
            "unit": "scroll",
            "confidence": round(aims.confidence, 4),
            "of": "all together" if aims.together else "each alone",
            "calibration": {
                "source": "renders" if rendered else "scans",
                "scrolls": scrolls,
                "letters": len(evidence),
                **{key: evidence.facts[key] for key in _FACT_KEYS if key in evidence.facts},
            },
            "limits": describe_limits(evidence, choices, aims, rendered),
            "load": {
                "letters_to_review": _round_share(load.review),
                "letters_to_finding": _round_share(load.finding),
                "clean_letters_to_review": _round_share(load.review_of_clean),
                "clean_letters_to_finding": _round_share(load.finding_of_clean),
            },
        },
        "defects": {name: _defect_row(choice, aims) for name, choice in choices.items()},
    }


def describe_limits(
    evidence: Evidence, choices: Mapping[str, ThresholdChoice], aims: RiskTargets, rendered: bool
) -> list[str]:
    """The limits of the promise, in sentences."""
    with np.errstate(invalid="ignore"):
        faulty = float((evidence.plainness > 2 / 3).any(axis=1).mean())
    sentences = []
    if rendered:
        sentences.append(
            "It is a promise over renders, until scans of real scrolls replace them: real writing"
            " and pictures that differ from the renders are not covered."
        )
    sentences += [
        "It is an average over scrolls: of one scroll more may be cleared, or more findings false.",
        "It speaks of plain cases on pages compared with their own text; of what is doubtful, of"
        " letters that the frame cuts, and of what is named as not examined it says nothing.",
        f"How many findings are true depends on how common faults are: here {faulty:.0%} of the"
        " letters bear a plain one. Where faults are rarer, more findings are false.",
        "Each promise holds by itself with the confidence stated; of many, some may fail."
        if not aims.together
        else "The confidence is that all promises hold together.",
    ]
    without = [name for name, choice in choices.items() if choice.cleared is None]
    if without:
        sentences.append(
            "Too few scrolls, or too many cases missed, to promise what is cleared of: "
            + ", ".join(without) + "; their borders are set by hand."
        )  # fmt: skip
    return sentences


def _defect_row(choice: ThresholdChoice, aims: RiskTargets) -> dict[str, Any]:
    row: dict[str, Any] = {"clear": choice.clear, "finding": choice.finding, "promise": NO_PROMISE}
    cleared, false = choice.cleared, choice.false
    if cleared or false:
        row["promise"] = {
            "cleared_at_most": cleared.risk if cleared else None,
            "findings_true_at_least": round(1 - false.risk, 4) if false else None,
            "confidence": round(aims.confidence, 4),
            "scrolls": choice.scrolls,
            "scrolls_with_findings": false.scrolls if false else 0,
            "cases": choice.cases,
            "bound": cleared.bound if cleared else false.bound if false else NO_PROMISE,
            "seen": {
                "cleared": _round_share(cleared.seen) if cleared else None,
                "findings_true": _round_share(1 - false.seen) if false else None,
            },
        }
    return row


def write_thresholds(content: Mapping[str, Any], folder: Path) -> Path:
    """Write it beside the networks."""
    text = yaml.safe_dump(dict(content), sort_keys=False, allow_unicode=True, width=96)
    path = folder / "thresholds.yaml"
    write_file(path, text)
    return path


def choice_table(choices: Mapping[str, ThresholdChoice], load: ReviewLoad) -> str:
    """A table for the developer: thresholds, promises, and what each sends to review."""
    head = (
        f"{'defect':18}{'cases':>6}{'scrolls':>8}{'unseen':>7}{'clear':>8}{'cleared<=':>10}"
        f"{'seen':>8}{'finding':>9}{'false<=':>8}{'seen':>8}{'clean to review':>17}"
    )
    lines = [head]
    for name, choice in choices.items():
        cleared, false = choice.cleared, choice.false
        lines.append(
            f"{name:18}{choice.cases:6}{choice.scrolls:8}{choice.unseen:7}{choice.clear:8.4f}"
            f"{cleared.risk if cleared else NO_PROMISE:>10}{cleared.seen if cleared else 0:8.4f}"
            f"{choice.finding:9.3f}{false.risk if false else NO_PROMISE:>8}"
            f"{false.seen if false else 0:8.4f}{load.by_defect.get(name, 0.0):17.2%}"
        )
    lines.append(
        f"letters to review {load.review:.2%}, to finding {load.finding:.2%}; clean letters to"
        f" review {load.review_of_clean:.2%}, to finding {load.finding_of_clean:.2%}"
    )
    return "\n".join(lines)


def describe_letters(evidence: Evidence) -> str:
    """How letters were read, and how many of the misread ones no examiner is shown."""
    parts = []
    for code, words in ((0, "misread"), (-1, "not found"), (-2, "seen where nothing is written")):
        here = evidence.read == code
        parts.append(f"{int(here.sum())} {words} ({int((here & ~evidence.raised).sum())} unraised)")
    raised = float(evidence.raised[evidence.read > -1].mean())
    total = int((evidence.read > -2).sum())
    return (
        f"of {total} letters " + ", ".join(parts) + f"; raised whatever their faults: {raised:.2%}"
    )


def _round_share(value: float) -> float:
    return round(value, 5)

"""Thresholds of a file, measured on other hands: promised and measured shares side by side."""

from __future__ import annotations

from crownlet.infer.thresholds import Thresholds
from crownlet.train.risk_control.bounds import BOUNDS, choose_bound, upper_limit
from crownlet.train.risk_control.choose import (
    DefectEvidence,
    ReviewLoad,
    ThresholdChoice,
    measure_load,
)
from crownlet.train.risk_control.evidence import Evidence

BOUND_CHOICE_RISK = 0.01
"""Risk by which the bound is chosen for a number of scrolls."""


def measure_promises(
    evidence: Evidence, limits: Thresholds
) -> dict[str, dict[str, float | int | None]]:
    """By defect: the mean share of a scroll's plain cases cleared, and of its findings true.

    `cleared_below` is the limit below which the former lies with 95% confidence, for each defect by
    itself. Promised values are None where nothing was promised.
    """
    rows: dict[str, dict[str, float | int | None]] = {}
    for name in evidence.names:
        pair, cases = limits.of(name), DefectEvidence(evidence, name)
        made = limits.promise.defects.get(name) if limits.promise else None
        lost = cases.cleared_shares(pair.clear, pair.finding)
        false = [x for part in (True, False) for x in cases.false_shares(pair.finding, part)]
        bound = BOUNDS[choose_bound(len(lost), BOUND_CHOICE_RISK)]
        rows[name] = {
            "scrolls": len(lost),
            "cases": int(cases.plain.sum()),
            "promised_cleared_at_most": made.cleared_at_most if made else None,
            "cleared": float(lost.mean()) if len(lost) else None,
            "cleared_below": upper_limit(lost, bound),
            "scrolls_with_findings": len(false),
            "promised_true_at_least": made.findings_true_at_least if made else None,
            "findings_true": 1 - sum(false) / len(false) if false else None,
        }
    return rows


def load_under(evidence: Evidence, limits: Thresholds) -> ReviewLoad:
    """What these thresholds give an examiner to do."""
    choices = {}
    for name in evidence.names:
        pair = limits.of(name)
        choices[name] = ThresholdChoice(pair.clear, pair.finding, None, None, 0, 0, 0)
    return measure_load(evidence, choices)


def list_broken_promises(rows: dict[str, dict[str, float | int | None]]) -> list[str]:
    """Promises whose mean on these scrolls lies beyond what was promised; some may by chance."""
    beyond = []
    for name, row in rows.items():
        most, cleared = row["promised_cleared_at_most"], row["cleared"]
        least, true = row["promised_true_at_least"], row["findings_true"]
        if most is not None and cleared is not None and cleared > most:
            beyond.append(f"{name}: cleared {cleared:.4f}, promised at most {most}")
        if least is not None and true is not None and true < least:
            beyond.append(f"{name}: findings true {true:.4f}, promised at least {least}")
    return beyond


def check_table(rows: dict[str, dict[str, float | int | None]], load: ReviewLoad) -> str:
    """What a developer should see."""
    lines = [
        f"{'defect':18}{'cases':>6}{'scrolls':>8}{'promised':>9}{'cleared':>9}{'below':>8}"
        f"{'promised':>9}{'true':>8}{'scrolls':>8}"
    ]
    for name, row in rows.items():
        lines.append(
            f"{name:18}{row['cases']:6}{row['scrolls']:8}{_cell(row['promised_cleared_at_most']):>9}"
            f"{_cell(row['cleared']):>9}{_cell(row['cleared_below']):>8}"
            f"{_cell(row['promised_true_at_least']):>9}{_cell(row['findings_true']):>8}"
            f"{row['scrolls_with_findings']:8}"
        )
    lines.append(
        f"letters to review {load.review:.2%}, to finding {load.finding:.2%}; clean letters to"
        f" review {load.review_of_clean:.2%}, to finding {load.finding_of_clean:.2%}"
    )
    lines += [f"beyond its promise here: {sentence}" for sentence in list_broken_promises(rows)]
    return "\n".join(lines)


def _cell(value: float | int | None) -> str:
    return "none" if value is None else f"{value:.4f}"

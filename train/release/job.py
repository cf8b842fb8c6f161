"""The job `gate`: both models on the same pages, the table of differences, reasons against the new.

Guarded suites: even the limit of the interval must stay within the margin. The other suites are too
small to show so much: they must not be shown to be worse by more than the margin. The same is asked
of every single letter and defect.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from crownlet.datasets.files.atomic import atomic_write, write_json
from crownlet.infer.networks import OnnxNetworks
from crownlet.train.fit.scans import require_pages, scan_facts
from crownlet.train.release.compare import (
    LETTER_MEASURE,
    Difference,
    SuiteComparison,
    SuiteTally,
    compare_tallies,
)
from crownlet.train.release.pages import tally_suites


@dataclass(frozen=True)
class PromotionRule:
    """The `gate` part of configs/train.yaml."""

    must_improve: tuple[str, ...]
    """Suites, or suite/measure (letters, defects, crowns, or a defect's name)."""
    guarded: tuple[str, ...]
    letters: float
    """Margin of letter error rates."""
    auroc: float
    """Margin of AUROC."""


def list_reasons_against(suites: Mapping[str, SuiteComparison], rule: PromotionRule) -> list[str]:
    """Why the new networks are refused, one sentence each with its numbers; none if they are not.

    What must improve or is guarded, and was not measured, is a reason too.
    """
    wanted = [_split_measure(name) for name in rule.must_improve]
    found = [f"{name}: guarded, and not measured" for name in rule.guarded if name not in suites]
    found += [
        why for suite, measure in wanted for why in _reasons_not_better(suites, suite, measure)
    ]
    for suite, compared in suites.items():
        for measure, one in compared.whole.items():
            if (suite, measure) not in wanted:
                found += _reasons_worse(suite, measure, one, rule, strictly=suite in rule.guarded)
        for measure, one in (*compared.by_letter.items(), *compared.by_defect.items()):
            if (suite, measure) not in wanted:
                found += _reasons_worse(
                    suite, measure, one, rule, False, measure in compared.by_letter
                )
    return found


def _split_measure(name: str) -> tuple[str, str]:
    suite, _, measure = name.partition("/")
    return suite, measure or LETTER_MEASURE


def _reasons_not_better(
    suites: Mapping[str, SuiteComparison], suite: str, measure: str
) -> Iterator[str]:
    compared = suites.get(suite)
    one = compared and (compared.whole.get(measure) or compared.by_defect.get(measure))
    if not one:
        yield f"{suite}, {measure}: to be better, and not measured"
        return
    _, high = harm_interval(one, measure == LETTER_MEASURE)
    if high is None or high >= 0:
        text = describe_difference(one, measure == LETTER_MEASURE)
        yield f"{suite}, {measure}: {text}; not shown to be better"


def _reasons_worse(
    suite: str,
    measure: str,
    one: Difference,
    rule: PromotionRule,
    strictly: bool,
    letter: bool = False,
) -> Iterator[str]:
    errors = letter or measure == LETTER_MEASURE
    margin = rule.letters if errors else rule.auroc
    low, high = harm_interval(one, errors)
    text = f"{suite}, {measure}: {describe_difference(one, errors)}"
    shown = f"{100 * margin:g} points" if errors else f"{margin:g}"
    if low is not None and low > margin:
        yield f"{text}; worse by more than {shown}"
    elif strictly and (high is None or high > margin):
        yield f"{text}; not shown to be worse by {shown} at most"


def harm_interval(one: Difference, errors: bool) -> tuple[float | None, float | None]:
    """Limits of how much worse the new model is: more errors, or less AUROC."""
    if one.low is None or one.high is None:
        return None, None
    return (one.low, one.high) if errors else (-one.high, -one.low)


def describe_difference(one: Difference, errors: bool) -> str:
    """Old, new and the difference with its limits, in percent or as AUROC."""
    unit, digits = (100.0, 2) if errors else (1.0, 4)
    old, new = (f"{value * unit:.{digits}f}" for value in (one.old, one.new))
    percent = "%" if errors else ""
    if one.low is None or one.high is None:
        reach = "no interval, one scroll"
    else:
        low, high = (f"{value * unit:+.{digits}f}" for value in (one.low, one.high))
        reach = f"{low} to {high}, {one.scrolls} scrolls"
    return f"{old}{percent} before, {new}{percent} now ({reach})"


def run_gate(config: Any, before: dict[str, SuiteTally] | None = None) -> Path:
    """Measure `gate.old` beside `gate.new`, print the table, write the outcome; its path.

    `before` holds the tallies of the old model, where several models are compared with it.
    """
    settings = config.gate
    outcome = compare_models(Path(settings.old), Path(settings.new), settings, before)
    path = Path(settings.to)
    with atomic_write(path) as draft:
        write_json(draft, outcome)
    print(outcome_table(outcome))
    return path


def compare_models(
    old: Path, new: Path, settings: Any, before: dict[str, SuiteTally] | None = None
) -> dict[str, Any]:
    """The whole outcome as plain values: models, rule, suites, reasons against (none: accepted)."""
    # What is absent is to be named now, and not after an hour of reading pages.
    identities = {"old": model_identity(old), "new": model_identity(new)}
    if settings.scans:
        require_pages(Path(settings.scans), "test", "gate.scans")
    before = before or tally_suites(old, settings)
    after = tally_suites(new, settings)
    suites = {name: compare_tallies(before[name], after[name]) for name in after}
    rule = PromotionRule(
        tuple(settings.must_improve),
        tuple(settings.guarded),
        settings.margin.letters,
        settings.margin.auroc,
    )
    scans = Path(settings.scans) if settings.scans else None
    return {
        "measured": datetime.date.today().isoformat(),
        **identities,
        "scans": scan_facts(scans) if scans else None,
        "rule": asdict(rule),
        "against": list_reasons_against(suites, rule),
        "suites": {name: _plain_values(found) for name, found in suites.items()},
    }


def model_identity(model: Path) -> dict[str, str]:
    """Version and checksums of the networks in a folder; ModelError if they cannot be used."""
    info = OnnxNetworks(model, threads=1).info
    return {"version": info.version, **info.checksums}


def _plain_values(found: SuiteComparison) -> dict[str, Any]:
    rows = {
        name: {"text": describe_difference(one, name == LETTER_MEASURE), **_numbers(one)}
        for name, one in found.whole.items()
    }
    return {
        **rows,
        "by_letter": {name: _numbers(one) for name, one in found.by_letter.items()},
        "by_defect": {name: _numbers(one) for name, one in found.by_defect.items()},
    }


def _numbers(one: Difference) -> dict[str, float | None]:
    return {
        key: float(f"{value:.5g}") if isinstance(value, float) else value
        for key, value in asdict(one).items()
    }


def outcome_table(outcome: dict[str, Any]) -> str:
    """The table that is printed: one line per suite and measure, then the reasons against."""
    lines = [f"{outcome['old']['version']} beside {outcome['new']['version']}"]
    for suite, rows in outcome["suites"].items():
        lines += [
            f"{suite:18}{measure:9}{row['text']}"
            for measure, row in rows.items()
            if not measure.startswith("by_")
        ]
    lines += [f"against it: {why}" for why in outcome["against"]]
    return "\n".join(lines if outcome["against"] else [*lines, "nothing is against it"])

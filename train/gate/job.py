"""The job `gate`: both models on the same pages, the table of differences, and the verdict."""

from __future__ import annotations

import datetime
import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from crownlet.infer.sessions import Sessions
from crownlet.train.gate.comparing import LETTERS, Compared, compare
from crownlet.train.gate.looking import look
from crownlet.train.gate.paired import Difference
from crownlet.train.gate.tallies import Tally
from crownlet.train.gate.verdict import Rule, reasons, words
from crownlet.train.scan_pools import facts_of


def gate(config: Any, before: dict[str, Tally] | None = None) -> Path:
    """Measure `gate.old` beside `gate.new`, print the table, write the outcome; its path.

    `before` is what `look` has found of the old model already, where several are set beside it.
    """
    settings = config.gate
    outcome = weigh(Path(settings.old), Path(settings.new), settings, before)
    path = Path(settings.to)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(outcome, ensure_ascii=False, indent=1) + "\n", "utf-8")
    print(table(outcome))
    return path


def weigh(
    old: Path, new: Path, settings: Any, before: dict[str, Tally] | None = None
) -> dict[str, Any]:
    """The whole outcome as plain values: models, rule, suites, reasons against (none: accepted)."""
    before = before or look(old, settings)
    after = look(new, settings)
    suites = {name: compare(before[name], after[name]) for name in after}
    rule = Rule(
        tuple(settings.must_improve),
        tuple(settings.guarded),
        settings.margin.letters,
        settings.margin.auroc,
    )
    scans = Path(settings.scans) if settings.scans else None
    return {
        "measured": datetime.date.today().isoformat(),
        "old": identity(old),
        "new": identity(new),
        "scans": facts_of(scans) if scans else None,
        "rule": asdict(rule),
        "against": reasons(suites, rule),
        "suites": {name: _plain(found) for name, found in suites.items()},
    }


def identity(model: Path) -> dict[str, str]:
    """Version and checksums of the networks in a folder; ModelError if they cannot be used."""
    info = Sessions(model, threads=1).info
    return {"version": info.version, **info.checksums}


def _plain(found: Compared) -> dict[str, Any]:
    rows = {
        name: {"text": words(one, name == LETTERS), **_numbers(one)}
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


def table(outcome: dict[str, Any]) -> str:
    """What a developer should see first."""
    lines = [f"{outcome['old']['version']} beside {outcome['new']['version']}"]
    for suite, rows in outcome["suites"].items():
        lines += [
            f"{suite:18}{measure:9}{row['text']}"
            for measure, row in rows.items()
            if not measure.startswith("by_")
        ]
    lines += [f"against it: {why}" for why in outcome["against"]]
    return "\n".join(lines if outcome["against"] else [*lines, "nothing is against it"])

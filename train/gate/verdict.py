"""Whether new networks may take the place of the old ones: better where asked, no worse elsewhere.

No worse means, for the suites that are guarded, that even the limit of the interval stays within
the margin; for the others, which are too small to show so much, that they are not shown to be
worse by more than the margin. The same is asked of every single letter and defect.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from crownlet.train.gate.comparing import LETTERS, Compared
from crownlet.train.gate.paired import Difference


@dataclass(frozen=True)
class Rule:
    """The `gate` part of configs/train.yaml."""

    must_improve: tuple[str, ...]
    """Suites, or suite/measure (letters, defects, crowns, or a defect's name)."""
    guarded: tuple[str, ...]
    letters: float
    """Margin of letter error rates."""
    auroc: float
    """Margin of AUROC."""


def reasons(suites: Mapping[str, Compared], rule: Rule) -> list[str]:
    """Why the new networks are refused, one sentence each with its numbers; none if they are not.

    What must improve or is guarded, and was not measured, is a reason too.
    """
    wanted = [_named(name) for name in rule.must_improve]
    found = [f"{name}: guarded, and not measured" for name in rule.guarded if name not in suites]
    found += [why for suite, measure in wanted for why in _not_better(suites, suite, measure)]
    for suite, compared in suites.items():
        for measure, one in compared.whole.items():
            if (suite, measure) not in wanted:
                found += _worse(suite, measure, one, rule, strictly=suite in rule.guarded)
        for measure, one in (*compared.by_letter.items(), *compared.by_defect.items()):
            if (suite, measure) not in wanted:
                found += _worse(suite, measure, one, rule, False, measure in compared.by_letter)
    return found


def _named(name: str) -> tuple[str, str]:
    suite, _, measure = name.partition("/")
    return suite, measure or LETTERS


def _not_better(suites: Mapping[str, Compared], suite: str, measure: str) -> Iterator[str]:
    compared = suites.get(suite)
    one = compared and (compared.whole.get(measure) or compared.by_defect.get(measure))
    if not one:
        yield f"{suite}, {measure}: to be better, and not measured"
        return
    _, high = harm(one, measure == LETTERS)
    if high is None or high >= 0:
        yield f"{suite}, {measure}: {words(one, measure == LETTERS)}; not shown to be better"


def _worse(
    suite: str, measure: str, one: Difference, rule: Rule, strictly: bool, letter: bool = False
) -> Iterator[str]:
    errors = letter or measure == LETTERS
    margin = rule.letters if errors else rule.auroc
    low, high = harm(one, errors)
    text = f"{suite}, {measure}: {words(one, errors)}"
    shown = f"{100 * margin:g} points" if errors else f"{margin:g}"
    if low is not None and low > margin:
        yield f"{text}; worse by more than {shown}"
    elif strictly and (high is None or high > margin):
        yield f"{text}; not shown to be worse by {shown} at most"


def harm(one: Difference, errors: bool) -> tuple[float | None, float | None]:
    """Limits of how much worse the new model is: more errors, or less AUROC."""
    if one.low is None or one.high is None:
        return None, None
    return (one.low, one.high) if errors else (-one.high, -one.low)


def words(one: Difference, errors: bool) -> str:
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

"""`crownlet survey`: its actions, and how many scrolls and audited letters a survey needs."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from crownlet.infer.commands import (
    DONE,
    WRONG_USAGE,
    complain,
    survey_compare,
    survey_demo,
    survey_run,
)

if TYPE_CHECKING:
    from crownlet.infer.survey.plan import Aim, Plan

ASSUMED = """\
What this takes for granted: scrolls of a source are drawn by chance, not chosen for their faults;
letters of one scroll are alike by {likeness:g} (0: no more than letters of two scrolls, 1: wholly);
the network's word agrees with the reader's by {agreement:g} (as a correlation); each test is made
at {level:g} ({comparisons}); scrolls are compared, not letters.
Likeness and agreement are guesses until a first survey has measured them: try a higher likeness and
a lower agreement before settling on a number."""


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `survey` and its subcommands."""
    survey = commands.add_parser("survey", help="compare defect rates between sources")
    actions = survey.add_subparsers(dest="action", required=True, metavar="ACTION")
    plan = actions.add_parser(
        "plan", help="how many scrolls of each source, how many letters to audit"
    )
    plan.add_argument(
        "--rate", type=float, required=True, help="share of letters with the defect, as 0.05"
    )
    plan.add_argument(
        "--difference", type=float, required=True, help="difference to be seen, as 0.05"
    )
    plan.add_argument(
        "--letters", type=int, default=200, help="letters of a scroll that can have the defect"
    )
    plan.add_argument(
        "--likeness", type=float, default=0.05, help="correlation of two letters of one scroll"
    )
    plan.add_argument(
        "--agreement", type=float, default=0.8, help="correlation of network and reader"
    )
    plan.add_argument(
        "--power", type=float, default=0.8, help="chance wanted of seeing the difference"
    )
    plan.add_argument(
        "--comparisons", type=int, default=1, help="comparisons made at once (defects x pairs)"
    )
    plan.set_defaults(run=_plan)
    survey_run.add(actions)
    survey_compare.add(actions)
    survey_demo.add(actions)


def _plan(options: argparse.Namespace) -> int:
    from crownlet.infer.survey.plan import Aim, PlanError, plans

    names = ("rate", "difference", "letters", "likeness", "agreement", "power", "comparisons")
    try:
        aim = Aim(**{name: getattr(options, name) for name in names})
        print(_words(aim, plans(aim)))
    except PlanError as error:
        complain(error)
        return WRONG_USAGE
    return DONE


def _share(of_one: float) -> str:
    return f"{of_one * 100:.4g}%"


def _words(aim: Aim, made: tuple[Plan, ...]) -> str:
    from crownlet.infer.survey.plan import advised

    best = advised(made)
    rows = [
        f"{one.audited:>16}  {one.scrolls:>17}  {one.scrolls * one.audited:>17}"
        f"{'  every letter' if one.audited == aim.letters else ''}"
        for one in made
    ]
    level = aim.level / aim.comparisons
    many = "one comparison" if aim.comparisons == 1 else f"{aim.comparisons} comparisons at once"
    return "\n".join(
        (
            f"To see a difference between {_share(aim.rate)} and"
            f" {_share(aim.rate + aim.difference)} of the letters with a chance of"
            f" {_share(aim.power)}:",
            f"take {best.scrolls} scrolls of each source, and read {best.audited} letters of each",
            f"scroll, drawn by chance among the {aim.letters} that can have the defect (more in",
            "proportion if the draw is among all letters).",
            "",
            "read each scroll  scrolls a source  letters a source",
            *rows,
            "",
            ASSUMED.format(
                likeness=aim.likeness, agreement=aim.agreement, level=level, comparisons=many
            ),
        )
    )

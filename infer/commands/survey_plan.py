"""`crownlet survey plan`: how large a survey must be, and the design that is declared with it."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crownlet.infer.commands import DONE, SOME_FAILED, WRONG_USAGE
from crownlet.infer.view.console import print_error

if TYPE_CHECKING:
    from crownlet.infer.survey.plan import Aim, PlanAssumptions, SurveyPlan

PLAN_ASSUMPTIONS = """\
What is assumed: scrolls of a source are drawn by chance, not chosen for their faults; letters of
one scroll are alike by {likeness:g} (0: no more than letters of two scrolls, 1: wholly){scribes};
the network's answer agrees with the reader's by {agreement:g} (as a correlation), and it sees
nothing of {overlooked:g} of the defects; each test is made at {level:g} ({comparisons});
{units} are compared, not letters. How often a difference is seen is found by making the survey's
own test on simulated surveys, and errs by 2 of 100.
Likeness and agreement are guesses until a first survey has measured them: try a higher likeness and
a lower agreement before settling on a number."""

ASSUMED = (
    "rate", "letters", "likeness", "agreement", "overlooked", "scrolls_per_scribe",
    "scribe_likeness", "comparisons",
)  # fmt: skip
"""Options that are assumptions of a plan, by the names of `PlanAssumptions`."""


def audit_size(text: str) -> float:
    """A size of an audit: a whole number of letters, or a share below 1."""
    try:
        size = float(text)
    except ValueError:
        size = -1.0
    if not 0 <= size < 1e6 or (size > 1 and size != int(size)):
        raise argparse.ArgumentTypeError(f"a whole number, or a share below 1, not {text}")
    return size


def defect_names(text: str) -> tuple[str, ...]:
    """Names of defects, separated by commas, in the order of the catalogue."""
    from crownlet.datasets.scribal.catalogue import GLYPH_DEFECTS

    named = [name.strip() for name in text.split(",") if name.strip()]
    for name in named:
        if name not in GLYPH_DEFECTS:
            known = ", ".join(GLYPH_DEFECTS)
            raise argparse.ArgumentTypeError(f"{name!r} is none of {known}")
    return tuple(name for name in GLYPH_DEFECTS if name in named)


def _source_pair(text: str) -> tuple[str, str]:
    names = [name.strip() for name in text.split(":")]
    if len(names) != 2 or not all(names) or names[0] == names[1]:
        raise argparse.ArgumentTypeError(f"two sources, as NORTH:SOUTH, not {text}")
    return names[0], names[1]


def add_survey_plan(actions: argparse._SubParsersAction[Any]) -> None:
    """Add the action and its arguments."""
    plan = actions.add_parser(
        "plan", help="how many scrolls to take and letters to audit; writes what is declared"
    )
    plan.add_argument(
        "--rate", type=float, required=True, help="share of letters with the defect, as 0.05"
    )
    aim = plan.add_mutually_exclusive_group(required=True)
    aim.add_argument("--difference", type=float, metavar="D", help="difference to be seen, as 0.05")
    aim.add_argument(
        "--width", type=float, metavar="W", help="one source's rate to be known to within W"
    )
    aim.add_argument(
        "--equivalence", type=float, metavar="M",
        help="two sources that are alike to be shown to differ by less than M",
    )  # fmt: skip
    aim.add_argument(
        "--scrolls", type=int, metavar="N",
        help="the smallest difference that N scrolls of each source can show",
    )  # fmt: skip
    plan.add_argument(
        "--letters", type=int, default=200, help="letters of a scroll that can have the defect"
    )
    plan.add_argument(
        "--likeness", type=float, default=0.05, help="correlation of two letters of one scroll"
    )
    plan.add_argument(
        "--scrolls-per-scribe", type=int, default=1, metavar="K",
        help="scrolls of each scribe; scribes are then the units (1)",
    )  # fmt: skip
    plan.add_argument(
        "--scribe-likeness", type=float,
        help="correlation of letters of two scrolls by one scribe (that within a scroll)",
    )  # fmt: skip
    plan.add_argument(
        "--agreement", type=float, default=0.8, help="correlation of network and reader"
    )
    plan.add_argument(
        "--overlooked", type=float, default=0.15, help="share of defects that the network misses"
    )
    plan.add_argument(
        "--power", type=float, default=0.8, help="probability wanted of seeing the difference"
    )
    plan.add_argument(
        "--comparisons",
        type=int,
        help="comparisons made at once (defects x pairs, where --defects names them; else 1)",
    )
    plan.add_argument("--sources", type=int, default=2, metavar="N", help="sources compared (2)")
    plan.add_argument(
        "--defects", type=defect_names, metavar="NAME,...",
        help="defects that are declared to be compared; all if absent",
    )  # fmt: skip
    plan.add_argument(
        "--compare", type=_source_pair, action="append", metavar="A:B",
        help="two sources that are declared to be compared; every pair if absent",
    )  # fmt: skip
    plan.add_argument("--audit", type=audit_size, metavar="N", help="letters audited, as advised")
    plan.add_argument("--seed", type=int, default=2007, metavar="K", help="of the draw (2007)")
    plan.add_argument("--portion", default="auto", help="where the manifest names none (auto)")
    plan.add_argument(
        "--customs", default="unspecified", help="where the manifest names none (unspecified)"
    )
    plan.add_argument(
        "--out", metavar="FILE", help="write the design, to be declared before anything is run"
    )
    plan.set_defaults(run=_plan)


def _plan(options: argparse.Namespace) -> int:
    from crownlet.infer.survey.plan import PlanAssumptions, PlanError

    try:
        if options.comparisons is None:
            options.comparisons = _count_comparisons(options)
        assumed = PlanAssumptions(**{name: getattr(options, name) for name in ASSUMED})
        if options.scrolls is None:
            lines, scrolls, audited = _describe_plans(options, assumed)
        else:
            lines, scrolls, audited = _describe_smallest(options, assumed)
    except PlanError as error:
        print_error(error)
        return WRONG_USAGE
    size = audited if options.audit is None else options.audit
    print("\n".join((*lines, "", _describe_questions(options, scrolls, size), "",
                     _describe_assumptions(assumed))))  # fmt: skip
    return _write_design(options, scrolls, size) if options.out else DONE


def _count_comparisons(options: argparse.Namespace) -> int:
    """Tests among which each is corrected; 1 where the defects compared are not named."""
    from crownlet.infer.survey.design import SurveyDesign, today

    if not options.defects:
        return 1
    design = SurveyDesign(today(), options.defects, tuple(options.compare or ()))
    return max(1, design.count_comparisons(options.sources))


def _write_design(options: argparse.Namespace, scrolls: int, size: float) -> int:
    from crownlet.datasets.files.locks import FolderBusyError, hold_folder
    from crownlet.datasets.scribal.catalogue import GLYPH_DEFECTS
    from crownlet.infer.survey.design import SurveyDesign, today, write_design

    aims = ("difference", "width", "equivalence", "power", "sources")
    design = SurveyDesign(
        today(), options.defects or GLYPH_DEFECTS, tuple(options.compare or ()), size,
        seed=options.seed, portion=options.portion, customs=options.customs, scrolls=scrolls,
        assumptions={name: getattr(options, name) for name in (*ASSUMED, *aims)},
    )  # fmt: skip
    path = Path(options.out)
    try:
        with hold_folder(path.parent, "crownlet survey plan", "design"):
            if path.exists():
                print_error(f"{path}: is there already; a design is not written over.")
                return WRONG_USAGE
            write_design(path, design)
    except FolderBusyError as error:
        print_error(error)
        return WRONG_USAGE
    except OSError as error:
        print_error(f"{path}: cannot be written ({error.strerror or error}).")
        return SOME_FAILED
    print(f"\nThe design is {path}, checksum {design.sha256[:12]}. Keep it with a date that others")
    print(f"can check, then: crownlet survey run MANIFEST.csv --design {path} --out S")
    return DONE


def _describe_plans(
    options: argparse.Namespace, assumed: PlanAssumptions
) -> tuple[list[str], int, int]:
    """The table of plans, and the scrolls and audited letters of the one chosen."""
    from crownlet.infer.survey.plan import choose_plan, list_plans

    aim, purpose = _choose_aim(options, assumed)
    plans = list_plans(assumed, aim)
    best = choose_plan(plans)
    of_scribes = _of_scribes(best, assumed)
    rows = [
        f"{plan.audited:>16}  {plan.scrolls:>17}  {plan.scrolls * plan.audited:>17}"
        f"{'  every letter' if plan.audited == assumed.letters else ''}"
        for plan in plans
    ]
    lines = [
        f"{purpose}:",
        f"take {best.scrolls} scrolls of each source{of_scribes}, and read {best.audited} letters",
        f"of each scroll, drawn by chance among the {assumed.letters} that can have the defect.",
        "",
        "read each scroll  scrolls a source  letters a source",
        *rows,
    ]
    return lines, best.scrolls, best.audited


def _of_scribes(plan: SurveyPlan, assumed: PlanAssumptions) -> str:
    return f" ({plan.units} scribes)" if assumed.scrolls_per_scribe > 1 else ""


def _choose_aim(options: argparse.Namespace, assumed: PlanAssumptions) -> tuple[Aim, str]:
    from crownlet.infer.survey.plan import aim_at_difference, aim_at_equivalence, aim_at_width

    rate, power = assumed.rate, options.power
    if options.difference is not None:
        aim = aim_at_difference(assumed, options.difference, power)
        return aim, (
            f"To see a difference between {_percent(rate)} and "
            f"{_percent(rate + options.difference)} of the letters with a probability of "
            f"{_percent(power)}"
        )
    if options.width is not None:
        return aim_at_width(assumed, options.width), (
            f"To know a rate of {_percent(rate)} to within {_percent(options.width)} of the letters"
        )
    return aim_at_equivalence(assumed, options.equivalence, power), (
        f"To show of two sources with a rate of {_percent(rate)} that they differ by less than "
        f"{_percent(options.equivalence)} of the letters, with a probability of {_percent(power)}"
    )


def _describe_smallest(
    options: argparse.Namespace, assumed: PlanAssumptions
) -> tuple[list[str], int, int]:
    """The smallest difference by the size of the audit, the scrolls, and the audit chosen.

    The audit is the smallest whose difference is hardly larger than that of a full reading.
    """
    from crownlet.infer.survey.plan import (
        AUDIT_SIZES_LETTERS,
        MAX_SCROLLS_RATIO,
        find_smallest_difference,
    )

    units = options.scrolls // assumed.scrolls_per_scribe
    sizes = [size for size in AUDIT_SIZES_LETTERS if size < assumed.letters]
    found = {
        size: find_smallest_difference(assumed, units, size, options.power)
        for size in (*sizes, assumed.letters)
    }
    # A difference goes with one over the root of the scrolls.
    enough = MAX_SCROLLS_RATIO**0.5 * found[assumed.letters]
    audited = next(size for size, difference in found.items() if difference <= enough)
    units_text = f"{options.scrolls} scrolls of each source"
    if assumed.scrolls_per_scribe > 1:
        units_text += f" ({units} scribes)"
    lines = [
        f"With {units_text}, and a rate of {_percent(assumed.rate)} at the better one, the",
        f"smallest difference that is seen with a probability of {_percent(options.power)}:",
        "",
        "read each scroll  smallest difference",
        *(f"{size:>16}  {_percent(difference):>19}" for size, difference in found.items()),
    ]
    return lines, options.scrolls, audited


def _describe_questions(options: argparse.Namespace, scrolls: int, size: float) -> str:
    """How many questions the audit will ask, before anyone starts."""
    from crownlet.datasets.scribal.catalogue import GLYPH_DEFECTS

    defects = len(options.defects or GLYPH_DEFECTS)
    each = size if size >= 1 else size * options.letters
    total = round(scrolls * options.sources * defects * each)
    kinds = f"{defects} defects" if defects > 1 else "1 defect"
    return (
        f"Questions to answer: about {total:,} ({options.sources} sources, {scrolls} scrolls of "
        f"each, {kinds}, {each:g} letters of a scroll)."
    )


def _describe_assumptions(assumed: PlanAssumptions) -> str:
    tests = assumed.comparisons
    of_scribes = ""
    if assumed.scrolls_per_scribe > 1:
        of_scribes = f", and letters of two scrolls by one scribe by {assumed.between_scrolls:g}"
    return PLAN_ASSUMPTIONS.format(
        likeness=assumed.likeness, scribes=of_scribes, agreement=assumed.agreement,
        overlooked=assumed.overlooked, level=assumed.test_level,
        comparisons="one comparison" if tests == 1 else f"{tests} comparisons at once",
        units="scribes" if assumed.scrolls_per_scribe > 1 else "scrolls",
    )  # fmt: skip


def _percent(share: float) -> str:
    return f"{share * 100:.4g}%"

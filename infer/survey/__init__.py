"""The survey: defect rates of sources compared, with the scribe or the scroll as independent unit.

Plans, designs, audits, estimators, intervals, contrasts and the report. What a notebook needs
stands here, loaded when it is first asked for; `README.md` beside this file shows it at work.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from crownlet.infer.survey.audit import compute_chances as compute_chances
    from crownlet.infer.survey.bounds import bound_rates as bound_rates
    from crownlet.infer.survey.compare import compare_arrays as compare_arrays
    from crownlet.infer.survey.compare import compare_sources as compare_sources
    from crownlet.infer.survey.data import build_arrays as build_arrays
    from crownlet.infer.survey.design import SurveyDesign as SurveyDesign
    from crownlet.infer.survey.design import read_design as read_design
    from crownlet.infer.survey.design import write_design as write_design
    from crownlet.infer.survey.merging import gather_survey as gather_survey
    from crownlet.infer.survey.merging import write_merged as write_merged
    from crownlet.infer.survey.over_time import rate_by_year as rate_by_year
    from crownlet.infer.survey.plan import PlanAssumptions as PlanAssumptions
    from crownlet.infer.survey.plan import aim_at_difference as aim_at_difference
    from crownlet.infer.survey.plan import aim_at_equivalence as aim_at_equivalence
    from crownlet.infer.survey.plan import aim_at_width as aim_at_width
    from crownlet.infer.survey.plan import find_plan as find_plan
    from crownlet.infer.survey.plan import find_smallest_difference as find_smallest_difference
    from crownlet.infer.survey.report import write_comparison as write_comparison
    from crownlet.infer.survey.source_rates import estimate_by_letter as estimate_by_letter
    from crownlet.infer.survey.source_rates import estimate_rates as estimate_rates
    from crownlet.infer.survey.tidy import build_table as build_table
    from crownlet.infer.survey.tidy import write_export as write_export

__all__ = [
    "PlanAssumptions", "SurveyDesign", "aim_at_difference", "aim_at_equivalence", "aim_at_width",
    "bound_rates", "build_arrays", "build_table", "compare_arrays", "compare_sources",
    "compute_chances", "estimate_by_letter", "estimate_rates", "find_plan",
    "find_smallest_difference", "gather_survey", "rate_by_year", "read_design",
    "write_comparison", "write_design", "write_export", "write_merged",
]  # fmt: skip

_MODULE_OF = {
    "audit": ("compute_chances",),
    "bounds": ("bound_rates",),
    "compare": ("compare_arrays", "compare_sources"),
    "data": ("build_arrays",),
    "design": ("SurveyDesign", "read_design", "write_design"),
    "merging": ("gather_survey", "write_merged"),
    "over_time": ("rate_by_year",),
    "plan": (
        "PlanAssumptions", "aim_at_difference", "aim_at_equivalence", "aim_at_width", "find_plan",
        "find_smallest_difference",
    ),
    "report": ("write_comparison",),
    "source_rates": ("estimate_by_letter", "estimate_rates"),
    "tidy": ("build_table", "write_export"),
}  # fmt: skip


def __getattr__(name: str) -> object:
    """A public name, loaded from its module."""
    for module, names in _MODULE_OF.items():
        if name in names:
            from importlib import import_module

            return getattr(import_module(f"{__name__}.{module}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])

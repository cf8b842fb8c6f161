"""S/report/: tables, figures, and one page of HTML that opens offline and names no one unasked."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import astuple, fields
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment

from crownlet.datasets.files.atomic import atomic_write, write_csv, write_file
from crownlet.infer import sheet
from crownlet.infer.survey import narrative
from crownlet.infer.survey.audit_section import (
    bound_differences,
    bound_survey,
    build_audit_section,
)
from crownlet.infer.survey.by_source import (
    contrast_sides_by_source,
    summarise_evenness,
)
from crownlet.infer.survey.compare import (
    MAX_SOURCES_FOR_PAIRS,
    compare_sources,
)
from crownlet.infer.survey.confounding import find_confounding
from crownlet.infer.survey.data import SurveyData
from crownlet.infer.survey.design import today, uphold_design
from crownlet.infer.survey.dictionary import DICTIONARY_FILE, TABLE_RECORDS, write_dictionary
from crownlet.infer.survey.examples import draw_examples
from crownlet.infer.survey.habits import compare_habits
from crownlet.infer.survey.merging import open_pages
from crownlet.infer.survey.methods import (
    NAMING_CAUTION,
    describe_limitations,
    describe_methods,
    list_cautions,
)
from crownlet.infer.survey.over_time import rate_by_year
from crownlet.infer.survey.provenance import describe_provenance
from crownlet.infer.survey.records import (
    MIN_UNITS_FOR_INTERVAL,
    DefectRate,
    SurveyComparison,
)
from crownlet.infer.survey.report_view import (
    DemoTruth,
    ReportView,
    SourceRow,
    embed_forest,
    embed_funnel,
    embed_letter_figures,
)
from crownlet.infer.survey.source_rates import estimate_by_letter
from crownlet.infer.survey.verdicts import list_verdicts
from crownlet.infer.view.templates import template_environment
from crownlet.infer.view.wording import (
    count_of,
    defect_words,
    describe_defect,
    format_p_value,
    format_percent,
    latin_name,
)

REPORT_FOLDER, REPORT_PAGE = "report", "report.html"

SIGNIFICANT_DIGITS = 10
"""Significant digits of a number in a table: enough for any use, the same on every machine."""

MAX_DEFECTS_WITH_EXAMPLES = 3
"""Defects of which marked letters are shown."""

NAMES_NOTE = (
    "Names were asked for: this copy says which source is which, and is not for passing on. "
    f"{NAMING_CAUTION}"
)


def write_report(
    folder: Path,
    survey: SurveyData,
    seed: int,
    *,
    names: bool = False,
    opening: tuple[str, ...] = (),
    compare_with_truth: Callable[[SurveyComparison], DemoTruth] | None = None,
    on: str | None = None,
) -> Path:
    """Compare the survey in `folder` and write its report; returns the page.

    `seed` draws the example letters; `opening` and `compare_with_truth` are the parts that a
    demonstration adds; `on` is the date that it states, today's if None. OSError where the report
    cannot be written, FileFault where pages cannot be read.
    """
    out, arrays = folder / REPORT_FOLDER, survey.arrays
    confounding = find_confounding(survey)
    design = uphold_design(survey.design, survey.history)
    results = compare_sources(arrays, design, confounding.barriers)
    by_letter = estimate_by_letter(arrays)
    write_comparison(results, out)
    write_table(out, "letters.csv", by_letter)
    summaries = narrative.summarise_defects(results, arrays.unit_word)
    habits = compare_habits(folder, arrays, survey.scrolls)
    write_table(out, "habits.csv", habits.shares)
    write_table(out, "habit_contrasts.csv", habits.contrasts)
    defects = [summary.defect for summary in summaries]
    found = [defect for defect in defects if arrays.found[arrays.defects.index(defect)].any()]
    by_source = contrast_sides_by_source(arrays, defects)
    write_table(out, "pairs_by_source.csv", by_source)
    bounds = bound_survey(survey)
    write_table(out, "unanswered.csv", bounds)
    bounded = bound_differences(survey, results.contrasts)
    write_table(out, "unanswered_contrasts.csv", bounded)
    write_table(out, "readers.csv", survey.agreement)
    over_time = rate_by_year(survey, defects)
    write_table(out, "years.csv", over_time.years)
    write_table(out, "trends.csv", over_time.trends)
    write_dictionary(out)
    few = len(arrays.sources) <= MAX_SOURCES_FOR_PAIRS
    code_of = {scroll.name: scroll.code for scroll in survey.scrolls}
    view = ReportView(
        title="Sources compared",
        tables=(*TABLE_RECORDS, DICTIONARY_FILE),
        lead=narrative.describe_survey(survey),
        unit=arrays.unit_word,
        least_units=MIN_UNITS_FOR_INTERVAL,
        verdicts=list_verdicts(survey, results, confounding, bounded),
        opening=(*opening, *((NAMES_NOTE,) if names else ())),
        summaries=summaries,
        left_out=narrative.describe_left_out(results, summaries),
        naming_caution=NAMING_CAUTION,
        cautions=list_cautions(survey, results),
        names=names,
        sources=_list_sources(survey, names),
        audit=narrative.describe_audit(survey),
        audit_section=build_audit_section(survey, bounds, bounded),
        over_time=over_time,
        notes=survey.notes,
        results=results,
        tests_note=narrative.describe_tests(results, arrays.unit_word),
        tested=narrative.list_tested(results),
        untested=narrative.describe_untested(results),
        shown_rates=_select_rates(results, defects),
        shares=narrative.list_shares(results),
        sides_note=narrative.describe_sides(results, arrays.unit_word),
        source_side_contrasts=by_source,
        forest=embed_forest(results.rates, out),
        funnel=embed_funnel(results, defects, arrays.unit_word, out),
        letter_figures=embed_letter_figures(by_letter, defects, out) if few else (),
        habits=habits,
        evenness=summarise_evenness(folder, code_of),
        examples=draw_examples(survey, open_pages(folder), found[:MAX_DEFECTS_WITH_EXAMPLES], seed),
        examples_note=narrative.describe_example_draw(seed),
        truth=compare_with_truth(results) if compare_with_truth else None,
        methods=describe_methods(survey, results),
        limitations=describe_limitations(),
        provenance=describe_provenance(folder, survey, out, on or today()),
    )
    write_file(out / REPORT_PAGE, _environment().get_template("report.html").render(v=view))
    return out / REPORT_PAGE


def write_comparison(results: SurveyComparison, folder: Path) -> None:
    """Write the six tables into a folder, which is made if need be; OSError if it cannot be."""
    folder.mkdir(parents=True, exist_ok=True)
    tables: dict[str, Sequence[Any]] = {
        "rates.csv": results.rates,
        "shares.csv": results.shares,
        "contrasts.csv": results.contrasts,
        "pairs.csv": results.side_contrasts,
        "omnibus.csv": results.omnibus,
        "shrunken.csv": results.shrunken,
    }
    for name, rows in tables.items():
        write_table(folder, name, rows)


def _select_rates(results: SurveyComparison, defects: Sequence[str]) -> tuple[DefectRate, ...]:
    """All rates of few sources; of many, those of the defects described."""
    if len({rate.source for rate in results.rates}) <= MAX_SOURCES_FOR_PAIRS:
        return results.rates
    return tuple(rate for rate in results.rates if rate.defect in defects)


def write_table(folder: Path, name: str, rows: Sequence[Any]) -> None:
    """Write the rows of one table of `TABLE_RECORDS`; an unknown number is an empty field."""
    columns = (field.name for field in fields(TABLE_RECORDS[name]))
    cells = ([_cell(value) for value in astuple(row)] for row in rows)
    with atomic_write(folder / name) as draft:
        write_csv(draft, columns, cells)


def _cell(value: object) -> str:
    if value is None:
        return ""
    return f"{value:.{SIGNIFICANT_DIGITS}g}" if isinstance(value, float) else str(value)


def _list_sources(survey: SurveyData, names: bool) -> tuple[SourceRow, ...]:
    arrays = survey.arrays
    name_of = {code: name for name, code in survey.codes.items()} if names else {}
    source_of_letter = arrays.source_of[arrays.scroll]
    letters = Counter(arrays.sources[number] for number in source_of_letter.tolist())
    rows = []
    for code in arrays.sources:
        own = [scroll for scroll in survey.scrolls if scroll.code == code]
        pages = sum(scroll.faces + scroll.reverses for scroll in own)
        rows.append(SourceRow(code, name_of.get(code, ""), len(own), pages, letters[code]))
    return tuple(rows)


def _format_number(value: float | None) -> str:
    """`1.7`; a dash where there is none."""
    return "–" if value is None else f"{value:.2g}"


@cache
def _environment() -> Environment:
    """The style of the sheets is this report's too."""
    return template_environment(
        Path(__file__).parent / "templates", Path(sheet.__file__).parent / "templates",
        defect_words=defect_words, latin_name=latin_name, count_of=count_of,
        percent=format_percent, number=_format_number, p_value=format_p_value,
        describe_defect=describe_defect, describe_contrast=narrative.describe_contrast,
    )  # fmt: skip

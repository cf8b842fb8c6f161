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
from crownlet.infer.run.run import open_run
from crownlet.infer.survey import methods as cautions
from crownlet.infer.survey import narrative as plainly
from crownlet.infer.survey.by_source import (
    SourceSideContrast,
    contrast_sides_by_source,
    summarise_evenness,
)
from crownlet.infer.survey.compare import compare_sources, estimate_by_letter
from crownlet.infer.survey.data import SurveyData
from crownlet.infer.survey.examples import draw_examples
from crownlet.infer.survey.methods import describe_limitations, describe_methods
from crownlet.infer.survey.records import (
    DefectRate,
    ScrollShare,
    SideContrast,
    SourceContrast,
    SurveyComparison,
)
from crownlet.infer.survey.report_view import (
    DemoTruth,
    ReportView,
    SourceRow,
    embed_forest,
    embed_letter_figures,
)
from crownlet.infer.view import wording as figuring
from crownlet.infer.view.templates import template_environment
from crownlet.infer.view.wording import count_of, defect_words, describe_defect, latin_name

SIGNIFICANT_DIGITS = 10
"""Significant digits of a number written: enough for any use, the same on every machine."""


def write_comparison(results: SurveyComparison, folder: Path) -> None:
    """Write the four tables into a folder, which is made if need be; OSError if it cannot be."""
    folder.mkdir(parents=True, exist_ok=True)
    tables: tuple[tuple[str, type[Any], Sequence[Any]], ...] = (
        ("rates.csv", DefectRate, results.rates),
        ("shares.csv", ScrollShare, results.shares),
        ("contrasts.csv", SourceContrast, results.contrasts),
        ("pairs.csv", SideContrast, results.pairs),
    )
    for name, kind, rows in tables:
        write_table(folder / name, kind, rows)


def write_table(path: Path, kind: type[Any], rows: Sequence[Any]) -> None:
    """Write records of one kind, such as the `Rate`s by letter, as one table.

    An unknown number is an empty field.
    """
    columns = (field.name for field in fields(kind))
    cells = ([_cell(value) for value in astuple(row)] for row in rows)
    with atomic_write(path) as draft:
        write_csv(draft, columns, cells)


def _cell(value: object) -> str:
    if value is None:
        return ""
    return f"{value:.{SIGNIFICANT_DIGITS}g}" if isinstance(value, float) else str(value)


REPORT_FOLDER, REPORT_PAGE = "report", "report.html"

MAX_DEFECTS_WITH_EXAMPLES = 3
"""Defects of which marked letters are shown."""

NAMES_NOTE = (
    "Names were asked for: this copy says which source is which, and is not for passing on. "
    f"{cautions.NAMING_CAUTION}"
)


def write_report(
    folder: Path,
    survey: SurveyData,
    seed: int,
    *,
    names: bool = False,
    opening: tuple[str, ...] = (),
    put_in: Callable[[SurveyComparison], DemoTruth] | None = None,
) -> Path:
    """Compare the survey in `folder` and write its report; returns the page.

    `seed` draws the example letters; `opening` and `put_in` are what a demonstration says of
    itself. OSError where the report cannot be written, FileFault where pages cannot be read.
    """
    out = folder / REPORT_FOLDER
    results = compare_sources(survey.tables)
    letters = estimate_by_letter(survey.tables)
    write_comparison(results, out)
    write_table(out / "letters.csv", DefectRate, letters)
    told = plainly.summarise_defects(results)
    defects = [one.defect for one in told]
    marked = [d for d in defects if survey.tables.found[survey.tables.defects.index(d)].any()]
    pairs = contrast_sides_by_source(survey.tables, defects)
    write_table(out / "pairs_by_source.csv", SourceSideContrast, pairs)
    view = ReportView(
        title="Sources compared", lead=plainly.describe_survey(survey),
        opening=(*opening, *((NAMES_NOTE,) if names else ())), told=told,
        left_out=plainly.describe_left_out(results, told), naming=cautions.NAMING_CAUTION,
        cautions=cautions.list_cautions(results, survey.audit), names=names,
        sources=_list_sources(survey, names), audited=plainly.describe_audit(survey), notes=survey.notes,
        results=results, tests=plainly.describe_tests(results), tested=plainly.list_tested(results),
        untested=plainly.describe_untested(results), shares=plainly.list_shares(results),
        sides=plainly.describe_sides(results), source_pairs=pairs, forest=embed_forest(results.rates, out),
        letters=embed_letter_figures(letters, defects, out),
        evenness=summarise_evenness(folder, {scroll.name: scroll.code for scroll in survey.scrolls}),
        examples=draw_examples(survey, open_run(folder), marked[:MAX_DEFECTS_WITH_EXAMPLES], seed),
        lots=plainly.describe_example_draw(seed), put_in=put_in(results) if put_in else None,
        methods=describe_methods(survey, results), limits=describe_limitations(),
        versions=tuple((what, ", ".join(which)) for what, which in survey.versions.items()),
    )  # fmt: skip
    write_file(out / REPORT_PAGE, _environment().get_template("report.html").render(v=view))
    return out / REPORT_PAGE


def _list_sources(survey: SurveyData, names: bool) -> tuple[SourceRow, ...]:
    called = {code: name for name, code in survey.codes.items()} if names else {}
    of = survey.tables.source_of[survey.tables.scroll]
    letters = Counter(survey.tables.sources[number] for number in of.tolist())
    rows = []
    for code in survey.tables.sources:
        mine = [scroll for scroll in survey.scrolls if scroll.code == code]
        pages = sum(scroll.faces + scroll.reverses for scroll in mine)
        rows.append(SourceRow(code, called.get(code, ""), len(mine), pages, letters[code]))
    return tuple(rows)


@cache
def _environment() -> Environment:
    """The sheets' paper is this report's too."""
    return template_environment(
        Path(__file__).parent / "templates", Path(sheet.__file__).parent / "templates",
        said=defect_words, latin=latin_name, count=count_of,
        percent=figuring.format_percent, chance=figuring.format_p_value, described=describe_defect,
        meaning=plainly.describe_contrast,
    )  # fmt: skip

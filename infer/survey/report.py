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
from crownlet.infer.survey.by_source import SourcePair, by_source, evenness
from crownlet.infer.survey.compare import by_letter, compare
from crownlet.infer.survey.data import Gathered
from crownlet.infer.survey.examples import examples
from crownlet.infer.survey.methods import limits, methods
from crownlet.infer.survey.records import Comparison, Contrast, Pair, Rate, Share
from crownlet.infer.survey.report_view import PutIn, Source, View, forest_of, letters_of
from crownlet.infer.view import wording as figuring
from crownlet.infer.view.templates import environment
from crownlet.infer.view.wording import count, described, latin, said

DIGITS = 10
"""Significant digits of a number written: enough for any use, the same on every machine."""


def write_comparison(results: Comparison, folder: Path) -> None:
    """Write the four tables into a folder, which is made if need be; OSError if it cannot be."""
    folder.mkdir(parents=True, exist_ok=True)
    tables: tuple[tuple[str, type[Any], Sequence[Any]], ...] = (
        ("rates.csv", Rate, results.rates),
        ("shares.csv", Share, results.shares),
        ("contrasts.csv", Contrast, results.contrasts),
        ("pairs.csv", Pair, results.pairs),
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
    return f"{value:.{DIGITS}g}" if isinstance(value, float) else str(value)


FOLDER, PAGE = "report", "report.html"

SHOWN = 3
"""Defects of which marked letters are shown."""

NAMED = (
    "Names were asked for: this copy says which source is which, and is not for passing on. "
    f"{cautions.NAMING}"
)


def write_report(
    folder: Path,
    survey: Gathered,
    seed: int,
    *,
    names: bool = False,
    opening: tuple[str, ...] = (),
    put_in: Callable[[Comparison], PutIn] | None = None,
) -> Path:
    """Compare the survey in `folder` and write its report; returns the page.

    `seed` draws the example letters; `opening` and `put_in` are what a demonstration says of
    itself. OSError where the report cannot be written, FileFault where pages cannot be read.
    """
    out = folder / FOLDER
    results = compare(survey.tables)
    letters = by_letter(survey.tables)
    write_comparison(results, out)
    write_table(out / "letters.csv", Rate, letters)
    told = plainly.told(results)
    defects = [one.defect for one in told]
    marked = [d for d in defects if survey.tables.found[survey.tables.defects.index(d)].any()]
    pairs = by_source(survey.tables, defects)
    write_table(out / "pairs_by_source.csv", SourcePair, pairs)
    view = View(
        title="Sources compared", lead=plainly.lead(survey),
        opening=(*opening, *((NAMED,) if names else ())), told=told,
        left_out=plainly.left_out(results, told), naming=cautions.NAMING,
        cautions=cautions.cautions(results, survey.audit), names=names,
        sources=_sources(survey, names), audited=plainly.audited(survey), notes=survey.notes,
        results=results, tests=plainly.tests(results), tested=plainly.tested(results),
        untested=plainly.untested(results), shares=plainly.found(results),
        sides=plainly.sides(results), source_pairs=pairs, forest=forest_of(results.rates, out),
        letters=letters_of(letters, defects, out),
        evenness=evenness(folder, {scroll.name: scroll.code for scroll in survey.scrolls}),
        examples=examples(survey, open_run(folder), marked[:SHOWN], seed),
        lots=plainly.lots(seed), put_in=put_in(results) if put_in else None,
        methods=methods(survey, results), limits=limits(),
        versions=tuple((what, ", ".join(which)) for what, which in survey.versions.items()),
    )  # fmt: skip
    write_file(out / PAGE, _environment().get_template("report.html").render(v=view))
    return out / PAGE


def _sources(survey: Gathered, names: bool) -> tuple[Source, ...]:
    called = {code: name for name, code in survey.codes.items()} if names else {}
    of = survey.tables.source_of[survey.tables.scroll]
    letters = Counter(survey.tables.sources[number] for number in of.tolist())
    rows = []
    for code in survey.tables.sources:
        mine = [scroll for scroll in survey.scrolls if scroll.code == code]
        pages = sum(scroll.faces + scroll.reverses for scroll in mine)
        rows.append(Source(code, called.get(code, ""), len(mine), pages, letters[code]))
    return tuple(rows)


@cache
def _environment() -> Environment:
    """The sheets' paper is this report's too."""
    return environment(
        Path(__file__).parent / "templates", Path(sheet.__file__).parent / "templates",
        said=said, latin=latin, count=count,
        percent=figuring.percent, chance=figuring.chance, described=described,
        meaning=plainly.meaning,
    )  # fmt: skip

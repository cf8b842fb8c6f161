"""S/report/: tables, figures, and one page of HTML that opens offline and names no one unasked."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from functools import cache
from pathlib import Path

from jinja2 import Environment

from crownlet.infer import sheet
from crownlet.infer.plain import latin, said
from crownlet.infer.run import open_run
from crownlet.infer.sheet.render import write_whole
from crownlet.infer.sheet.words import count, described
from crownlet.infer.survey import cautions, figuring, plainly, remarks
from crownlet.infer.survey.comparing import by_letter, compare
from crownlet.infer.survey.evenness import evenness
from crownlet.infer.survey.examples import examples
from crownlet.infer.survey.gathering import Gathered
from crownlet.infer.survey.methods import limits, methods
from crownlet.infer.survey.pictures import forest_of, letters_of
from crownlet.infer.survey.records import Comparison, Rate
from crownlet.infer.survey.sides import SourcePair, by_source
from crownlet.infer.survey.view import PutIn, Source, View
from crownlet.infer.survey.writing import write_comparison, write_table
from crownlet.infer.templates import environment

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
        title="Sources compared", lead=remarks.lead(survey),
        opening=(*opening, *((NAMED,) if names else ())), told=told,
        left_out=plainly.left_out(results, told), naming=cautions.NAMING,
        cautions=cautions.cautions(results, survey.audit), names=names,
        sources=_sources(survey, names), audited=remarks.audited(survey), notes=survey.notes,
        results=results, tests=remarks.tests(results), tested=remarks.tested(results),
        untested=remarks.untested(results), shares=remarks.found(results),
        sides=remarks.sides(results), source_pairs=pairs, forest=forest_of(results.rates, out),
        letters=letters_of(letters, defects, out),
        evenness=evenness(folder, {scroll.name: scroll.code for scroll in survey.scrolls}),
        examples=examples(survey, open_run(folder), marked[:SHOWN], seed),
        lots=remarks.lots(seed), put_in=put_in(results) if put_in else None,
        methods=methods(survey, results), limits=limits(),
        versions=tuple((what, ", ".join(which)) for what, which in survey.versions.items()),
    )  # fmt: skip
    write_whole(out / PAGE, _environment().get_template("report.html").render(v=view))
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
        Path(__file__).parent, Path(sheet.__file__).parent, said=said, latin=latin, count=count,
        percent=figuring.percent, chance=figuring.chance, described=described,
        meaning=plainly.meaning,
    )  # fmt: skip

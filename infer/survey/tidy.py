"""One tidy table of a survey for other tools: a row for each letter, defect and reader's answer.

Written as CSV and as Parquet, with a data dictionary; sources, scrolls and scribes stand as codes.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pa_parquet

from crownlet.datasets.files.atomic import atomic_write, quote_formula, write_csv
from crownlet.infer.run.survey_state import SURVEY_SCHEMA
from crownlet.infer.survey.data import SurveyData
from crownlet.infer.survey.labels import LABEL_OF_CHOICE
from crownlet.infer.view.wording import RULING_TEXT

EXPORT_FOLDER = "export"

CSV_FILE, PARQUET_FILE, DICTIONARY_FILE = "letters.csv", "letters.parquet", "dictionary.csv"


class Column(NamedTuple):
    """A column of the table, as the data dictionary describes it."""

    name: str
    type: str
    meaning: str


COLUMNS = (
    Column("code", "text", "Code of the source; the key is sources.csv of the survey."),
    Column("scroll", "text", "Code of the scroll."),
    Column("scribe", "text", "Code of the scribe; empty where not known."),
    Column("workshop", "text", "Code of the workshop; empty where not known."),
    Column("page", "text", "Code of the page: a folder of the survey."),
    Column("side", "text", "face or reverse."),
    Column("glyph", "whole number", "Number of the letter on its page, from 1, in reading order."),
    Column("letter", "text", "The letter as read: one of 27 Hebrew letters, final forms apart."),
    Column("defect", "text", "Name of the defect, as in the catalogue."),
    Column(
        "probability", "number",
        "The network's calibrated probability, from 0 to 1, that the defect is there.",
    ),
    Column("found", "true or false", "Whether the program lists the defect as a finding."),
    Column("drawn", "true or false", "Whether the letter was drawn for the audit of this defect."),
    Column(
        "inclusion_probability", "number",
        "Probability, before the draw, that it was drawn; empty where the defect was not audited.",
    ),
    Column(
        "weight", "number",
        "As how many letters its label counts: 1 over the inclusion probability, raised where "
        "others drawn on the same scroll have no label; the same in the row of every reader; empty "
        "without a label that counts.",
    ),
    Column("label", "number", "The reader's answer: 1 present, 0 not present; empty without one."),
    Column("answer", "text", "The answer as given, such as cannot_tell; empty without one."),
    Column("reader", "whole number", "Number of the reader, from 1; empty without an answer."),
)  # fmt: skip
"""Columns after these are the manifest's own, such as date, the same for all letters of a scroll.
"""


@dataclass(frozen=True)
class Export:
    """The files of an export."""

    csv: Path
    parquet: Path
    dictionary: Path
    rows: int


def build_table(survey: SurveyData, every_defect: bool = False) -> pa.Table:
    """The tidy table; a letter that was not examined for a defect has no row for it.

    Only defects that are audited, unless `every_defect` or where none is. Letters with answers of
    several readers have a row for each, all with the same weight.
    """
    arrays, questions = survey.arrays, survey.questions
    audited = np.zeros(len(arrays.defects), dtype=np.bool_)
    if questions is not None and not every_defect:
        audited = np.asarray(np.isfinite(questions.chance).any(axis=1))
    kept = audited if audited.any() else ~audited
    row, letter = np.nonzero(~np.isnan(arrays.predicted) & kept[:, None])
    label, answer, reader = (np.full(len(row), value) for value in (np.nan, "", 0))
    answer = answer.astype(object)
    row, letter, label, answer, reader = _add_answers(survey, row, letter, label, answer, reader)
    order = np.lexsort((reader, row, letter))
    row, letter, label, answer, reader = (
        values[order] for values in (row, letter, label, answer, reader)
    )
    scroll = arrays.scroll[letter]
    counts = survey.scrolls
    chance = np.full(len(row), np.nan) if questions is None else questions.chance[row, letter]
    drawn = np.zeros(len(row), bool) if questions is None else questions.drawn[row, letter]
    counted = ~np.isnan(label) & ~np.isnan(arrays.label[row, letter])
    weight = np.where(counted, 1 / arrays.inclusion_probability[row, letter], np.nan)
    columns: dict[str, pa.Array] = {
        "code": _coded(arrays.source_of[scroll], arrays.sources),
        "scroll": _coded(scroll, [one.name for one in counts]),
        "scribe": _coded(scroll, [one.scribe for one in counts]),
        "workshop": _coded(scroll, [one.workshop for one in counts]),
        "page": _coded_text(survey.page, letter),
        "side": _coded_text(arrays.side, letter),
        "glyph": pa.array(survey.glyph[letter].astype(np.int32)),
        "letter": _coded_text(arrays.letter, letter),
        "defect": _coded(row, arrays.defects),
        "probability": pa.array(arrays.predicted[row, letter]),
        "found": pa.array(arrays.found[row, letter]),
        "drawn": pa.array(drawn),
        "inclusion_probability": _number(chance),
        "weight": _number(weight),
        "label": _number(label),
        "answer": pa.array(answer, pa.string()).dictionary_encode(),
        "reader": pa.array(reader.astype(np.int32), mask=reader == 0),
    }
    for name in dict.fromkeys(name for one in counts for name, _ in one.covariates):
        values = [dict(one.covariates).get(name, "") for one in counts]
        columns[name] = _coded(scroll, values)
    about = {"crownlet": f"survey schema {SURVEY_SCHEMA}", "caution": RULING_TEXT}
    return pa.table(columns).replace_schema_metadata(about)


def write_export(survey: SurveyData, folder: Path, every_defect: bool = False) -> Export:
    """Write the table as CSV and Parquet, and its data dictionary; OSError if it cannot be."""
    folder.mkdir(parents=True, exist_ok=True)
    table = build_table(survey, every_defect)
    files = Export(
        folder / CSV_FILE, folder / PARQUET_FILE, folder / DICTIONARY_FILE, table.num_rows
    )
    with atomic_write(files.parquet) as draft:
        pa_parquet.write_table(table, draft)
    with atomic_write(files.csv) as draft:
        pa_csv.write_csv(_plain(table), draft)
    described = {column.name: column for column in COLUMNS}
    with atomic_write(files.dictionary) as draft:
        write_csv(
            draft, Column._fields,
            (described.get(name, Column(name, "text", "A column of the manifest."))
             for name in table.column_names),
        )  # fmt: skip
    return files


def _add_answers(survey: SurveyData, *columns: Any) -> tuple[Any, ...]:
    """The rows with the answers of the readers: the first in place, further ones added."""
    row, letter, label, answer, reader = columns
    number_of = {defect: number for number, defect in enumerate(survey.arrays.defects)}
    column_of = {
        place: k for k, place in enumerate(zip(survey.page.tolist(), survey.glyph.tolist(),
                                               strict=True))
    } if survey.answers else {}  # fmt: skip
    place_of = {
        place: k for k, place in enumerate(zip(row.tolist(), letter.tolist(), strict=True))
    } if survey.answers else {}  # fmt: skip
    given: dict[int, list[tuple[int, str]]] = defaultdict(list)
    for one in survey.answers:
        place = number_of[one.defect], column_of[one.page, one.glyph]
        if place in place_of:
            given[place_of[place]].append((one.reader, one.choice))
    more: list[tuple[int, int, str]] = []
    for k, answers in given.items():
        (reader[k], answer[k]), *others = answers
        label[k] = LABEL_OF_CHOICE.get(answer[k], np.nan)
        more += [(k, number, choice) for number, choice in others]
    if not more:
        return row, letter, label, answer, reader
    again = np.array([k for k, _, _ in more])
    labels = [LABEL_OF_CHOICE.get(choice, np.nan) for _, _, choice in more]
    return (
        np.concatenate([row, row[again]]), np.concatenate([letter, letter[again]]),
        np.concatenate([label, labels]),
        np.concatenate([answer, np.array([choice for _, _, choice in more], dtype=object)]),
        np.concatenate([reader, [number for _, number, _ in more]]),
    )  # fmt: skip


def _coded(numbers: Any, names: Any) -> pa.Array:
    """A column of names by their numbers."""
    return pa.DictionaryArray.from_arrays(
        pa.array(np.asarray(numbers, dtype=np.int32)), pa.array(list(names), pa.string())
    )


def _coded_text(values: Any, letter: Any) -> pa.Array:
    names, numbers = np.unique(values, return_inverse=True)
    return _coded(numbers[letter], names.tolist())


def _number(values: Any) -> pa.Array:
    """Numbers, those that are NaN as empty fields."""
    return pa.array(values, mask=np.isnan(values))


def _plain(table: pa.Table) -> pa.Table:
    """The table as text for CSV; what a spreadsheet would compute is made harmless."""
    fixed = {column.name for column in COLUMNS}
    columns: dict[str, pa.Array] = {}
    for name in table.column_names:
        column = table.column(name).combine_chunks()
        if pa.types.is_dictionary(column.type):
            if name not in fixed:
                texts = [quote_formula(text) for text in column.dictionary.to_pylist()]
                column = _coded(column.indices, texts)
            column = column.cast(pa.string())
        columns[name] = column
    return pa.table(columns)

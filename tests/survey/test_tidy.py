"""The tidy table: what stands in it, read back by pandas and by its own library."""

from __future__ import annotations

import csv
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow.parquet
import pytest

from crownlet.infer.run.survey_state import SURVEY_SCHEMA
from crownlet.infer.survey.data import ScrollCounts, SurveyData, build_arrays
from crownlet.infer.survey.labels import AuditCounts, ReaderAnswer, collect_labels
from crownlet.infer.survey.response import AuditArrays, weigh_labels
from crownlet.infer.survey.tidy import COLUMNS, build_table, write_export

DEFECTS = ("ink_lost", "tag_bare")


def survey(
    scrolls: int = 4, letters: int = 6, answers: tuple[ReaderAnswer, ...] = ()
) -> SurveyData:
    """Two sources in turn; the first letter of each scroll drawn for the first defect."""
    scroll = np.repeat(np.arange(scrolls), letters)
    names = np.array([f"S{number + 1:03d}" for number in range(scrolls)])
    glyph = np.tile(np.arange(1, letters + 1), scrolls)
    predicted = np.full((2, len(scroll)), 0.25)
    predicted[1, glyph == 2] = np.nan
    page = np.char.add(names, "-face")[scroll]
    shape = predicted.shape
    drawn = np.zeros(shape, bool)
    drawn[0, glyph <= 2] = True
    chance = np.full(shape, np.nan)
    chance[0] = 0.5
    labels = collect_labels(answers, int(drawn.sum()))
    label = np.full(shape, np.nan)
    for (name, number, defect), value in labels.values.items():
        label[DEFECTS.index(defect), (page == name) & (glyph == number)] = value
    questions = AuditArrays(drawn, chance, label, np.zeros(shape, bool))
    used, probability = weigh_labels(questions, scroll, scroll % 2)
    arrays = build_arrays(
        DEFECTS, names[scroll], np.array(["A", "B"])[scroll % 2], predicted, used, probability,
        side=np.full(len(scroll), "face"), letter=np.resize(list("אבגדהו"), len(scroll)),
    )  # fmt: skip
    counts = tuple(
        ScrollCounts(name, "AB"[k % 2], 1, 0, letters, 0, f"H{k:03d}", "",
                     (("date", f"20{10 + k}"), ("price", "=1+1")))
        for k, name in enumerate(names.tolist())
    )  # fmt: skip
    return SurveyData(
        arrays, page, glyph, {"North": "A", "South": "B"}, counts, AuditCounts(0, 0, 0), {}, (),
        questions, answers, (),
    )  # fmt: skip


ANSWERS = (
    ReaderAnswer("S001-face", 1, "ink_lost", 1, "present"),
    ReaderAnswer("S001-face", 2, "ink_lost", 1, "cannot_tell"),
    ReaderAnswer("S002-face", 1, "ink_lost", 1, "not_present"),
    ReaderAnswer("S002-face", 2, "ink_lost", 1, "not_present"),
    ReaderAnswer("S003-face", 1, "ink_lost", 1, "not_present"),
    ReaderAnswer("S003-face", 2, "ink_lost", 1, "not_present"),
    ReaderAnswer("S001-face", 1, "ink_lost", 2, "not_present"),
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("export")
    assert write_export(survey(answers=ANSWERS), out).rows == 4 * 6 + 1
    return out


def rows(folder: Path) -> list[dict[str, object]]:
    return list(pyarrow.parquet.read_table(folder / "letters.parquet").to_pylist())


def test_csv_and_parquet_hold_the_same(folder: Path) -> None:
    """The CSV by the csv module of Python, the Parquet by its own library."""
    with (folder / "letters.csv").open(encoding="utf-8", newline="") as file:
        texts = list(csv.DictReader(file))
    table = rows(folder)
    assert list(texts[0]) == list(table[0]) and len(texts) == len(table)
    for text, row in zip(texts, table, strict=True):
        assert (text.pop("price"), row.pop("price")) == ("'=1+1", "=1+1")
        for name, value in row.items():
            if value is None:
                assert text[name] == ""
            elif isinstance(value, bool):
                assert text[name] == str(value).lower()
            elif isinstance(value, int | float):
                assert float(text[name]) == value
            else:
                assert text[name] == value


def test_rows_are_letters_defects_and_answers(folder: Path) -> None:
    table = rows(folder)
    assert {row["defect"] for row in table} == {"ink_lost"}
    first = [row for row in table if row["page"] == "S001-face" and row["glyph"] == 1]
    assert [(row["reader"], row["answer"], row["label"]) for row in first] == [
        (1, "present", 1.0), (2, "not_present", 0.0),
    ]  # fmt: skip
    for row in first:
        assert (row["code"], row["scribe"], row["date"], row["side"], row["letter"]) == (
            "A", "H000", "2010", "face", "א",
        )  # fmt: skip
        # Of two questions one has no label: the other counts for both, 2 x 2 letters.
        assert row["weight"] == 4.0
    [unsure] = [row for row in table if row["answer"] == "cannot_tell"]
    assert unsure["label"] is None and unsure["weight"] is None and unsure["reader"] == 1
    others = [row for row in table if row["page"] == "S002-face" and row["drawn"]]
    assert [row["weight"] for row in others] == [2.0, 2.0]
    assert all(row["reader"] is None for row in table if not row["drawn"])
    assert {row["inclusion_probability"] for row in table} == {0.5}


def test_the_dictionary_names_every_column(folder: Path) -> None:
    with (folder / "dictionary.csv").open(encoding="utf-8", newline="") as file:
        described = {row["name"]: row for row in csv.DictReader(file)}
    table = pyarrow.parquet.read_table(folder / "letters.parquet")
    assert list(described) == table.column_names
    assert set(described) >= {column.name for column in COLUMNS}
    assert all(row["meaning"] for row in described.values())
    assert table.schema.metadata[b"crownlet"].decode() == f"survey schema {SURVEY_SCHEMA}"


def test_every_defect_can_be_asked_for() -> None:
    table = build_table(survey(answers=ANSWERS), every_defect=True).to_pylist()
    # The second letter of each scroll was not examined for the second defect.
    assert len(table) == 25 + 4 * 5
    bare = [row for row in table if row["defect"] == "tag_bare"]
    assert {row["inclusion_probability"] for row in bare} == {None}
    alone = replace(survey(), questions=None)
    assert {row["defect"] for row in build_table(alone).to_pylist()} == set(DEFECTS)


def test_two_hundred_scrolls_are_written_in_seconds(tmp_path: Path) -> None:
    """Issue 18: 200 scrolls compared in 20 s; 200,000 letters of two defects here, by the processor
    time of this process."""
    large = survey(200, 1000)
    before = time.process_time()
    write_export(large, tmp_path, every_defect=True)
    assert time.process_time() - before < 8

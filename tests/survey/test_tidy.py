"""The tidy table: what stands in it, read back by pandas and by its own library."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import made_surveys
import pyarrow.parquet
import pytest

from crownlet.infer.run.survey_state import SURVEY_SCHEMA
from crownlet.infer.survey.tidy import COLUMNS, build_table, write_export


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("export")
    assert write_export(made_surveys.small(answers=made_surveys.ANSWERS), out).rows == 4 * 6 + 1
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
    table = build_table(
        made_surveys.small(answers=made_surveys.ANSWERS), every_defect=True
    ).to_pylist()
    # The second letter of each scroll was not examined for the second defect.
    assert len(table) == 25 + 4 * 5
    bare = [row for row in table if row["defect"] == "tag_bare"]
    assert {row["inclusion_probability"] for row in bare} == {None}
    alone = replace(made_surveys.small(), questions=None)
    assert {row["defect"] for row in build_table(alone).to_pylist()} == set(made_surveys.DEFECTS)


def test_two_hundred_scrolls_are_written_in_seconds(
    tmp_path: Path, relative_time: Callable[..., float]
) -> None:
    """Issue 18: 200 scrolls compared in 20 s; 200,000 letters of two defects here, by the processor
    time of this process."""
    large = made_surveys.small(200, 1000)
    # Measured 8; a row at a time in Python would be ten times that.
    assert relative_time(lambda: write_export(large, tmp_path, every_defect=True)) < 60

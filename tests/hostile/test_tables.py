"""Hostile tables, a few of each kind; `fuzz_tables.py` does thousands."""

from __future__ import annotations

from pathlib import Path

import fuzz_tables
import pytest
import table_kinds
import table_mutants
from counting import count_cases

TABLES = 25


@pytest.mark.parametrize("kind", table_kinds.KINDS)
def test_hostile_tables(kind: str) -> None:
    figures = count_cases(Path(fuzz_tables.__file__), kind, TABLES)
    assert figures["bad"] == []
    assert figures["cases"] == TABLES
    assert figures["refused"] > TABLES // 5


def test_a_number_stands_for_one_table() -> None:
    whole = b"scan,scroll,side\na.png,S,face\n"
    made = [table_mutants.mutant("x", whole, number, "t.csv") for number in range(50)]
    assert made == [table_mutants.mutant("x", whole, number, "t.csv") for number in range(50)]
    assert len(set(made)) > 40


def test_a_refusal_that_names_no_file_is_found(tmp_path: Path) -> None:
    kind = table_kinds.KINDS["scrolls"]
    assert fuzz_tables.fault_of(f"{tmp_path}/t.csv: is empty.", kind, tmp_path) == ""
    assert fuzz_tables.fault_of("is empty.", kind, tmp_path).startswith("unclear")
    assert fuzz_tables.fault_of(f"{tmp_path}: a\nb", kind, tmp_path).startswith("unclear")

"""findings.csv: what is written comes back, and what is broken is named."""

from __future__ import annotations

import csv
from pathlib import Path

import made
import pytest
from made import gap

from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.findings.collect import collect_findings
from crownlet.infer.records import Measurement, PageRecord
from crownlet.infer.run.tables import read_findings, write_findings

DEFAULT, STRICT = load_customs(), load_customs("beit_yosef")


def _mixed() -> PageRecord:
    foot = Measurement(1, "foot_drop", 0.02, None, (1.0, 2.0), (3.0, 4.0), "foot_level", "there")
    return made.record(
        [
            made.flagged(1, "ג", "foot_level", p=0.875, box=(1.5, 2.0, 3.0, 4.0)),
            made.flagged(2, "ש", "letter_extra", expected="", in_name=True, letter_p=0.9375),
            made.flagged(3, "ה", "leg_touches_roof", "ink_lost", p=0.75),
        ],
        [gap(1, 2, reasons=("words_joined",), route="review", p_words_joined=0.5)],
        measurements=(foot,),
    )


def test_table_brings_back_what_was_written(tmp_path: Path) -> None:
    page = _mixed()
    found = collect_findings(page, STRICT)
    path = tmp_path / "findings שמע.csv"
    write_findings(path, found)
    assert len(found) == 4
    assert read_findings(path, page.measurements) == found
    first = path.read_bytes()
    write_findings(path, read_findings(path))
    assert path.read_bytes() == first


def test_table_is_read_by_the_standard_reader(tmp_path: Path) -> None:
    path = tmp_path / "findings.csv"
    write_findings(path, collect_findings(_mixed(), STRICT))
    content = path.read_bytes()
    assert content.count(b"\r\n") == 5  # RFC 4180: a header and a row each, lines end in CRLF
    rows = list(csv.DictReader(content.decode("utf-8").splitlines()))
    assert [row["number"] for row in rows] == ["1", "2", "3", "4"]
    assert {row["divine_name"] for row in rows if row["kind"] == "letter_extra"} == {"1"}


@pytest.mark.parametrize(
    ("old", "new"),
    [("question", "pasul"), ("finding,1", "clear,1"), ("foot_level", ""), ("glyph", "verse")],
)
def test_a_broken_row_is_named(old: str, new: str, tmp_path: Path) -> None:
    path = tmp_path / "findings.csv"
    write_findings(path, collect_findings(_mixed(), STRICT))
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(ValueError, match=r"findings\.csv: row \d is no finding"):
        read_findings(path)


def test_empty_pages_have_empty_tables(tmp_path: Path) -> None:
    path = tmp_path / "findings.csv"
    write_findings(path, collect_findings(made.record([]), DEFAULT))
    assert read_findings(path) == ()

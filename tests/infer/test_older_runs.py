"""Files of older runs in the names of today; the older names are those of this project's own
schemas, no outside source."""

from __future__ import annotations

import json

import pytest

from crownlet.infer.run.older import upgrade_record, upgrade_table


def test_sentences_of_an_older_record_have_the_name_of_today() -> None:
    older = {
        "habits": [{"defect": "tag_bare", "says": "Often."}],
        "consistency": {"says": ["Even.", 'The note is "says": [1]']},
        "note": 'a reader wrote "says": "no"',
    }
    today = json.loads(upgrade_record(json.dumps(older, indent=1)))
    assert today == {
        "habits": [{"defect": "tag_bare", "message": "Often."}],
        "consistency": {"messages": older["consistency"]["says"]},  # type: ignore[index]
        "note": older["note"],
    }
    assert upgrade_record(json.dumps(today)) == json.dumps(today)


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_columns_of_an_older_table_have_the_names_of_today(end: str) -> None:
    findings = f"number,kind,says{end}1,tag_bare,it says so{end}"
    assert upgrade_table(findings) == f"number,kind,message{end}1,tag_bare,it says so{end}"
    measures = f"glyph,measure,says{end}1,leg_gap,there{end}"
    assert upgrade_table(measures) == f"glyph,measure,claim{end}1,leg_gap,there{end}"
    for table in (upgrade_table(findings), f"word{end}says{end}", "number", ""):
        assert upgrade_table(table) == table


def test_a_defect_of_an_older_run_has_the_name_of_today() -> None:
    table = "glyph,p_yud_astray,reasons\n1,0.7,leg_short;yud_astray\n"
    assert upgrade_table(table) == "glyph,p_yud_misplaced,reasons\n1,0.7,leg_short;yud_misplaced\n"
    path = {"path": "scans/yud_astray/1.png"}
    record = json.dumps({"habits": [{"defect": "yud_astray", "says": "Often."}], "image": path})
    assert json.loads(upgrade_record(record)) == {
        "habits": [{"defect": "yud_misplaced", "message": "Often."}], "image": path,
    }  # fmt: skip

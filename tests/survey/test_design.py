"""A design declared before anything is looked at: kept, checked, and its changes recorded.

No outside source beside preregistration as commonly practised: the file and its checksum are this
project's own.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from crownlet.infer.run.survey_state import DesignChange, Survey
from crownlet.infer.survey.design import (
    DesignError,
    SurveyDesign,
    add_changes,
    describe_change,
    list_changes,
    read_design,
    uphold_design,
    write_design,
)

DESIGN = SurveyDesign(
    "2026-11-30", ("ink_lost", "tag_missing"), (("North", "South"), ("North", "East")), 6,
    seed=3, scrolls=12, assumptions={"rate": 0.05, "difference": 0.05},
)  # fmt: skip


def test_a_design_is_read_as_it_was_written(tmp_path: Path) -> None:
    write_design(tmp_path / "d.json", DESIGN)
    assert read_design(tmp_path / "d.json") == DESIGN
    assert read_design(tmp_path / "d.json").sha256 == DESIGN.sha256


@pytest.mark.parametrize(
    ("field", "value"),
    [("defects", ["ink_lost"]), ("audit", 7.0), ("seed", 4), ("declared_on", "2026-11-01"),
     ("comparisons", []), ("assumptions", {})],
)  # fmt: skip
def test_a_change_of_any_field_is_noticed(tmp_path: Path, field: str, value: object) -> None:
    path = tmp_path / "d.json"
    write_design(path, DESIGN)
    path.write_text(json.dumps(json.loads(path.read_bytes()) | {field: value}), encoding="utf-8")
    with pytest.raises(DesignError, match="was changed after it was written"):
        read_design(path)


def test_a_design_holds_after_a_defect_is_renamed(tmp_path: Path) -> None:
    """The checksum is that of the names that stood in the file when it was written."""
    path = tmp_path / "d.json"
    design = replace(DESIGN, defects=("yud_misplaced", "ink_lost"))
    write_design(path, design)
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("yud_misplaced", "yud_astray"), encoding="utf-8")
    assert read_design(path) == design
    assert json.loads(text)["sha256"] == read_design(path).sha256


@pytest.mark.parametrize("content", ["", "[]", "{}", '{"schema": 1}', '{"schema": 9}'])
def test_what_is_no_design_is_refused(tmp_path: Path, content: str) -> None:
    (tmp_path / "d.json").write_text(content, encoding="utf-8")
    with pytest.raises(DesignError):
        read_design(tmp_path / "d.json")


def test_sources_can_stand_as_codes_and_the_checksum_still_fits(tmp_path: Path) -> None:
    codes = {"North": "B", "South": "A", "East": "C"}
    coded = DESIGN.rename_sources(codes)
    write_design(tmp_path / "d.json", coded, DESIGN.sha256)
    assert "North" not in (tmp_path / "d.json").read_text(encoding="utf-8")
    with pytest.raises(DesignError):
        read_design(tmp_path / "d.json")
    names = {code: name for name, code in codes.items()}
    assert read_design(tmp_path / "d.json", names).rename_sources(names) == DESIGN


def test_what_is_declared_is_stated_from_what_is_not() -> None:
    assert DESIGN.covers("ink_lost", "South", "North")
    assert not DESIGN.covers("ink_lost", "South", "East")
    assert not DESIGN.covers("tag_bare", "North", "South")
    assert DESIGN.count_comparisons(3) == 4
    every = SurveyDesign("2026-11-30", ("ink_lost", "tag_missing"))
    assert every.covers("ink_lost", "X", "Y") and every.count_comparisons(4) == 12


@pytest.mark.parametrize("setting", ["design", "audit", "draw", "seed", "portion", "customs"])
def test_what_was_declared_and_changed_is_exploratory(setting: str) -> None:
    """As registered reports have it (Center for Open Science): a deviation is named and no longer
    counts as declared. Other defects than the declared ones are exploratory by themselves."""
    change = DesignChange("2026-12-01", setting, "6", "8")
    assert uphold_design(DESIGN, [change]) is None
    assert uphold_design(DESIGN, [replace(change, setting="defects")]) is DESIGN
    assert uphold_design(DESIGN, []) is DESIGN and uphold_design(None, []) is None


def test_changes_are_listed_once() -> None:
    used = Survey("0", 3, 8.0, ("ink_lost", "tag_bare"), draw="doubt")
    changes = list_changes(DESIGN, used, "auto", "ari", "2026-12-01")
    assert [(c.setting, c.declared, c.used) for c in changes] == [
        ("defects", "ink_lost, tag_missing", "ink_lost, tag_bare"),
        ("audit", "6", "8"),
        ("customs", "unspecified", "ari"),
    ]
    history = add_changes((), changes)
    again = list_changes(DESIGN, used, "auto", "ari", "2026-12-05")
    assert add_changes(history, again) == history
    assert describe_change(history[1]) == "2026-12-01: audit changed from 6 (declared) to 8."
    late = DesignChange("2026-12-01", "design", "", "given after the survey was begun")
    assert "none" in describe_change(late)

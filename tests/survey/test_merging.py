"""Surveys merged: letters, answers and codes together, and what cannot be merged."""

from __future__ import annotations

import html
import re
import threading
from collections import Counter
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from surveyed_runs import DEFECT, LETTERS, PAGES, ROW, answer, surveyed

from crownlet.datasets.files import locks
from crownlet.datasets.files.locks import hold_folder
from crownlet.infer import cli
from crownlet.infer.review.survey_questions import read_audit
from crownlet.infer.run.names import PAGES_PART
from crownlet.infer.run.survey_state import read_survey, write_survey
from crownlet.infer.survey.audit_section import describe_declared
from crownlet.infer.survey.compare import compare_sources
from crownlet.infer.survey.data import load_survey
from crownlet.infer.survey.design import SurveyDesign, write_design
from crownlet.infer.survey.examples import draw_examples
from crownlet.infer.survey.manifest import Manifest
from crownlet.infer.survey.merging import (
    MergeError,
    gather_survey,
    is_merged,
    open_pages,
    write_merged,
)
from crownlet.infer.survey.pseudonyms import read_keys
from crownlet.infer.survey.run import SurveyError, SurveyRequest, prepare_survey
from crownlet.infer.survey.tidy import build_table

README = Path(__file__).parents[2] / "infer" / "survey" / "README.md"


@pytest.fixture
def members(tmp_path: Path) -> tuple[Path, Path]:
    """Two surveys of the same sources and other scrolls, each of whose codes are the same."""
    first = surveyed(tmp_path / "one", 6)
    second = surveyed(tmp_path / "two", 10, first_seed=50, scroll_name="late {}")
    answer(first, "Reader X", {4: "present"})
    answer(second, "Reader Y", {})
    return first, second


def test_the_merged_survey_has_all_letters_and_answers(
    members: tuple[Path, Path], tmp_path: Path
) -> None:
    """No outside source: sums of the members."""
    out = tmp_path / "both"
    write_merged(out, members)
    merged = gather_survey(out)
    alone = [load_survey(member) for member in members]
    assert is_merged(out) and not is_merged(members[0])
    assert len(merged.page) == 2 * LETTERS * len(PAGES)
    assert len(merged.scrolls) == len(np.unique(merged.arrays.scroll)) == 12
    assert merged.arrays.sources == ("A", "B") and set(merged.codes) == {"Northgate", "Southgate"}
    assert merged.audit.drawn == sum(len(read_audit(member)) for member in members)
    assert merged.audit.decided == sum(one.audit.decided for one in alone)
    assert np.nansum(merged.arrays.label[ROW]) == np.nansum(alone[0].arrays.label[ROW])
    for one in (merged, *alone):
        label, chance = one.arrays.label[ROW], one.arrays.inclusion_probability[ROW]
        one_weight = (1 / chance[np.isfinite(label)]).sum()
        assert one_weight == pytest.approx(len(one.page), rel=0.5)
    of_source = Counter(one.code for one in merged.scrolls)
    assert of_source == {"A": 6, "B": 6}
    assert {one.scribe for one in merged.scrolls} == {f"H{n:03d}" for n in range(1, 7)}
    assert {answer.reader for answer in merged.answers} == {1, 2}
    rows = build_table(merged).to_pylist()
    assert len({(row["page"], row["glyph"]) for row in rows}) == len(rows) == len(merged.page)


def test_a_merged_rate_lies_between_those_of_its_members(tmp_path: Path) -> None:
    """Every letter read: a mean of two groups of scrolls lies between their means, but for the
    small changes that bring both sources to one mix of letters."""
    members = (
        surveyed(tmp_path / "one", 1e5),
        surveyed(tmp_path / "two", 1e5, first_seed=50, scroll_name="late {}"),
    )
    answer(members[0], "Reader X", {4: "present"})
    answer(members[1], "Reader Y", {})
    write_merged(tmp_path / "both", members)
    for folder, rate in ((members[0], 1 / 60), (members[1], 0), (tmp_path / "both", 1 / 120)):
        rates = compare_sources(gather_survey(folder).arrays).rates
        assert [r.estimate for r in rates if r.defect == DEFECT] == pytest.approx(
            [rate, rate], rel=0.1
        )


def test_later_answers_of_a_member_count_and_codes_stay(tmp_path: Path) -> None:
    members = (
        surveyed(tmp_path / "one", 6),
        surveyed(tmp_path / "two", 6, first_seed=50, scroll_name="late {}"),
    )
    out = tmp_path / "both"
    write_merged(out, members)
    before = read_keys(out)
    assert gather_survey(out).audit.decided == 0
    answer(members[1], "Reader Y", {})
    assert gather_survey(out).audit.decided == len(read_audit(members[1]))
    write_merged(out, members)
    assert read_keys(out) == before


def test_what_would_be_counted_twice_is_refused(tmp_path: Path) -> None:
    first = surveyed(tmp_path / "one", 6)
    same_picture = surveyed(tmp_path / "two", 6, scroll_name="late {}")
    with pytest.raises(MergeError, match="the picture of"):
        write_merged(tmp_path / "both", (first, same_picture))
    same_side = surveyed(tmp_path / "three", 6, first_seed=50)
    with pytest.raises(MergeError, match="the face of 'S001' stands in"):
        write_merged(tmp_path / "both", (first, same_side))
    with pytest.raises(MergeError, match="two surveys at least"):
        write_merged(tmp_path / "both", (first, first))
    with pytest.raises(MergeError, match="needs its own folder"):
        write_merged(first, (first, same_side))


def test_scans_are_not_surveyed_into_a_merged_survey(
    members: tuple[Path, Path], tmp_path: Path
) -> None:
    """The key of the merged survey would be written over. This project's decision."""
    out = tmp_path / "both"
    write_merged(out, members)
    before = (out / "sources.csv").read_bytes()
    manifest = Manifest(tmp_path / "manifest.csv", "", ())
    with pytest.raises(SurveyError, match="is a merged survey"):
        prepare_survey(manifest, out, SurveyRequest())
    assert (out / "sources.csv").read_bytes() == before


def test_the_pages_of_all_members_are_there_for_example_letters(
    members: tuple[Path, Path], tmp_path: Path
) -> None:
    """Every page of the merged survey is one of a member's, with the same letters."""
    out = tmp_path / "both"
    write_merged(out, members)
    pages = open_pages(out)
    merged = gather_survey(out)
    assert set(pages) == set(merged.page.tolist()) and len(pages) == 2 * len(PAGES)
    assert {page.folder.parent.resolve() for page in pages.values()} == set(members)
    assert len({page.folder for page in pages.values()}) == len(pages)
    drawn = draw_examples(merged, pages, (), 7)
    assert [row.population for row in drawn[0].rows] == np.bincount(
        merged.arrays.source_of[merged.arrays.scroll]
    ).tolist()
    assert set(open_pages(members[0])) == set(PAGES)


def test_the_commands_merge_compare_and_export(
    members: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "both"
    assert cli.main(["survey", "merge", *map(str, members), "--out", str(out)]) == 0
    assert "12 scrolls of 2 sources" in capsys.readouterr().out
    assert cli.main(["survey", "compare", str(out)]) == 0
    report = (out / "report" / "report.html").read_text(encoding="utf-8")
    assert "2 surveys are merged here" in report and "gate" not in report
    [shown] = re.findall("```text\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
    for line in shown.splitlines():
        assert line in html.unescape(report)
    assert cli.main(["survey", "export", str(out)]) == 0
    assert (out / "export" / "letters.parquet").is_file()
    assert cli.main(["survey", "merge", str(members[0]), "--out", str(out)]) == 2
    assert "two surveys at least" in capsys.readouterr().err


def test_a_folder_that_another_command_writes_to_is_refused(
    members: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """`survey run` holds the same part: one folder is one survey. This project's decision."""
    out, code = tmp_path / "both", []
    merge = ["survey", "merge", *map(str, members), "--out", str(out)]
    monkeypatch.setattr(locks, "hold_folder", partial(hold_folder, wait_s=0.1))
    with hold_folder(out, "crownlet survey run", PAGES_PART):
        other = threading.Thread(target=lambda: code.append(cli.main(merge)))
        other.start()
        other.join(300)
        assert code == [2]
        assert not (out / "merged.json").exists()
    assert "`crownlet survey run` (process " in capsys.readouterr().err
    assert cli.main(merge) == 0
    assert sorted(path.name for path in out.iterdir()) == ["merged.json", "sources.csv"]


def test_surveys_of_unlike_designs_are_named_as_such(
    members: tuple[Path, Path], tmp_path: Path
) -> None:
    """One of the two was declared: "nothing was declared" would be false. No outside source."""
    record = read_survey(members[0])
    assert record is not None
    design = SurveyDesign("2026-11-30", record.defects)
    write_design(members[0] / "design.json", design)
    write_survey(members[0], replace(record, design=design.sha256))
    out = tmp_path / "both"
    write_merged(out, members)
    merged = gather_survey(out)
    assert merged.design is None and merged.designs_differ
    [line] = describe_declared(merged)
    assert line.startswith("The merged surveys do not share one design, so every comparison")

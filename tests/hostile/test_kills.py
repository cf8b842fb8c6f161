"""SIGKILL at random moments, a few of them; `kill_often.py` does fifty."""

from __future__ import annotations

from pathlib import Path

import pytest
from kill_often import kill_inspect, kill_one_of_two, kill_survey
from kill_review import kill_review
from kill_writers import WRITERS, kill_one_of_two_adds, kill_sheet_or_export, kill_writer
from killing import Kills

TIMES = 5


def whole(kills: Kills, times: int = TIMES) -> None:
    assert kills.wrong == []
    assert kills.killed == times


def test_inspect(tmp_path: Path) -> None:
    whole(kill_inspect(tmp_path, TIMES, 1, pages=3))


def test_inspect_by_several_processes(tmp_path: Path) -> None:
    whole(kill_inspect(tmp_path, 2, 2, pages=3), 2)


def test_survey_run(tmp_path: Path) -> None:
    whole(kill_survey(tmp_path, TIMES, pages=3))


def test_one_of_two_at_once(tmp_path: Path) -> None:
    whole(kill_one_of_two(tmp_path, 3), 3)


def test_review(tmp_path: Path) -> None:
    whole(kill_review(tmp_path, TIMES))


@pytest.mark.parametrize("name", WRITERS)
def test_what_is_written_beside_a_run_or_into_a_set(tmp_path: Path, name: str) -> None:
    whole(kill_writer(WRITERS[name](tmp_path), 2), 2)


def test_one_of_two_adds_at_once(tmp_path: Path) -> None:
    whole(kill_one_of_two_adds(tmp_path, 2), 2)


def test_sheet_or_export_at_once(tmp_path: Path) -> None:
    whole(kill_sheet_or_export(tmp_path, 2), 2)

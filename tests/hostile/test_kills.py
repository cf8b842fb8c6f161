"""SIGKILL at random moments, a few of them; `kill_often.py` does fifty."""

from __future__ import annotations

from pathlib import Path

import pytest
from kill_often import kill_inspect, kill_survey
from kill_review import Kills, kill_review

TIMES = 5


def whole(kills: Kills) -> None:
    assert kills.wrong == []
    assert kills.killed == TIMES
    assert kills.finished > 0


@pytest.mark.parametrize("workers", [1, 2])
def test_inspect(tmp_path: Path, workers: int) -> None:
    whole(kill_inspect(tmp_path, TIMES, workers))


def test_survey_run(tmp_path: Path) -> None:
    whole(kill_survey(tmp_path, TIMES))


def test_review(tmp_path: Path) -> None:
    whole(kill_review(tmp_path, TIMES))

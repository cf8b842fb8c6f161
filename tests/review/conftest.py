"""Synthetic runs for all tests of the review, importable as `synthetic_runs`."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "view"))
sys.path.insert(0, str(Path(__file__).parent))

import synthetic_runs as made

from crownlet.infer.review.store import ReviewStore
from crownlet.infer.run.run import Run


@pytest.fixture
def doubted_run(tmp_path: Path) -> Run:
    """Three pages of 200 letters, a tenth of them doubted."""
    return made.run(tmp_path / "run", ["a", "b", "c"], letters=200)


@pytest.fixture
def store(doubted_run: Run) -> ReviewStore:
    """The decisions of that run."""
    return ReviewStore.open(doubted_run.folder / "review.sqlite3", doubted_run, audit_share=0.1)

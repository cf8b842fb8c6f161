"""Two windows that decide at once, some decisions; `two_windows.py` sends thousands."""

from __future__ import annotations

from pathlib import Path

from two_windows import decide_from_two_windows


def test_what_is_acknowledged_is_there_once(tmp_path: Path) -> None:
    tally = decide_from_two_windows(tmp_path, 200)
    assert tally.wrong == []
    assert tally.sent == 200 == tally.kept + tally.stale
    assert tally.kept > 60
    assert tally.stale > 5

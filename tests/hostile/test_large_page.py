"""A large page, at a size that CI has time for; `large_page.py` measures one of 150 megapixels.

The limit is this project's own decision: 1.5 GB at 150 megapixels.
"""

from __future__ import annotations

from pathlib import Path

from large_page import measure_all

MEGAPIXELS = 12


def test_a_large_page_through_inspection_sheet_and_review(tmp_path: Path) -> None:
    figures = {row["command"]: row for row in measure_all(tmp_path, MEGAPIXELS)}
    assert set(figures) == {"inspect", "sheet", "review"}
    assert figures["inspect"]["code"] == figures["sheet"]["code"] == 0
    assert figures["review"]["pictures"] > 0
    assert all(row["peak_mb"] < 800 for row in figures.values()), figures

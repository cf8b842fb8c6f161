"""Edges of blocks as numbers, and what is found of them."""

from __future__ import annotations

from collections.abc import Sequence

from crownlet.datasets.render.page.spec import NO_AUGMENT
from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.findings.finding import Finding
from crownlet.infer.findings.layout import layout_findings
from crownlet.infer.records import PageRecord

DEFAULT = load_customs()
LINES = 14
Pair = tuple[float, float]


def rows(left: Sequence[float] = (), right: Sequence[float] = ()) -> list[Pair]:
    """Edges in q of lines from 20 to 120, moved by the amounts given."""
    lefts = [20.0 + d for d in left] or [20.0] * LINES
    rights = [120.0 + d for d in right] or [120.0] * LINES
    return list(zip(lefts, rights, strict=True))


def found(page: PageRecord) -> list[Finding]:
    return layout_findings(page, DEFAULT)


def kinds(page: PageRecord) -> list[str]:
    return [finding.kind for finding in found(page)]


def wave(size: float) -> list[float]:
    """Edges that differ by `size` from one line to the next, without any trend."""
    return [size / 2 * (-1) ** k for k in range(LINES)]


FAULTLESS: dict[str, object] = {
    "split": "heldout", "defect_rate": 0.0, "habit_rate": 0.0, "gap_rate": 0.0, "text_rate": 0.0,
    "morph_rate": 0.0, "oddity_rate": 0.0, "close": 0.0, "augment": NO_AUGMENT,
}  # fmt: skip

"""What strangers may put into files, and what a refusal has to look like."""

from __future__ import annotations

from pathlib import Path

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

MANY = settings(
    max_examples=80, deadline=None, derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)  # fmt: skip
CELL = st.text(st.characters(codec="utf-8", categories=("L", "N", "P", "S", "Z", "C")), max_size=12)
ROWS = st.lists(st.lists(CELL | st.sampled_from(("a.png", "S1", "face", "reverse"))), max_size=6)
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4)
    ),
    max_leaves=12,
)  # fmt: skip


def sentence(error: BaseException, path: Path, lines: int = 1) -> None:
    text = str(error)
    assert str(path) in text
    assert len(text.splitlines()) <= lines, text
    assert len(text) < 1500

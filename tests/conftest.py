"""Marks the quick subset: the files below take less than a minute together on two cores. Says
whether the installed versions are those of `configs/constraints.txt`; measures time against a
reference, so that a test fails for the work that it times and not for the machine's speed; lets
Hypothesis draw the same examples in every run."""

from __future__ import annotations

import gc
import re
import time
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

HERE = Path(__file__).parent
QUICK = (
    "datasets/test_alphabet.py", "datasets/test_atomic.py", "datasets/test_catalogue.py",
    "datasets/test_customs.py", "datasets/test_texts.py", "infer/test_findings.py",
    "infer/test_line_starts.py", "infer/test_limits.py", "infer/test_routing.py",
    "infer/test_scrolls.py", "infer/test_writer.py", "models", "outside/test_check_values.py",
    "review/test_agreement.py", "sheet/test_groups.py", "survey/test_compare.py",
    "survey/test_manifest.py", "test_architecture.py", "test_errors.py", "test_wording.py",
)  # fmt: skip
"""Files and folders below `tests`; one or more of each room."""

ONLY_WHEN_ASKED_FOR = ("mutants", "walk")
"""Markers of tests that take minutes: `pytest -m walk`."""

WHAT_COMPUTES = ("numpy", "onnxruntime", "opencv-python-headless", "pillow")
"""Packages on whose version the bytes of pictures, outlines and answers depend."""

# As Hypothesis itself does under CI: no run has other examples or another limit of time than one
# on a machine that is slower.
settings.register_profile(
    "same", derandomize=True, deadline=None, database=None, print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],
)  # fmt: skip
settings.load_profile("same")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Give the marker `quick` to the tests of these files; what is long only when asked for."""
    for marker in ONLY_WHEN_ASKED_FOR:
        if marker not in (config.option.markexpr or ""):
            left_out = [item for item in items if item.get_closest_marker(marker)]
            config.hook.pytest_deselected(items=left_out)
            items[:] = [item for item in items if item not in left_out]
    places = [HERE / name for name in QUICK]
    for item in items:
        if any(place in (item.path, *item.path.parents) for place in places):
            item.add_marker(pytest.mark.quick)


@pytest.fixture(scope="session")
def versions_are_pinned() -> bool:
    """Whether what computes is of the versions of `configs/constraints.txt`: only these promise the
    same bytes; others round and simplify differently (`.ci/oldest`)."""
    text = (HERE.parent / "configs" / "constraints.txt").read_text("utf-8")
    pinned = dict(re.findall(r"^([\w.-]+)==(\S+)$", text, re.MULTILINE))
    return all(version(name) == pinned[name] for name in WHAT_COMPUTES)


def do_reference_work() -> None:
    """Numbers written out, counted by their digits and sorted: some 50 ms of plain Python."""
    counts: dict[str, float] = {}
    for number in range(250_000):
        word = str(number * 7919 % 10007)
        counts[word] = counts.get(word, 0.0) + number / 3
    sorted(counts.items(), key=lambda item: (item[1], item[0]))


def processor_seconds(work: Callable[[], object]) -> float:
    """Of this process, for one go."""
    start = time.process_time()
    work()
    return time.process_time() - start


@pytest.fixture
def relative_time() -> Callable[..., float]:
    """Processor time of `work` in units of the reference work, which is timed before and after it.

    A slow machine, or one whose cores are shared, slows both. The least of `times` goes. What the
    tests before have left in memory is not searched for garbage meanwhile (gc.freeze).
    """

    def measure(work: Callable[[], object], times: int = 1) -> float:
        def once() -> float:
            before = processor_seconds(do_reference_work)
            seconds = processor_seconds(work)
            return 2 * seconds / (before + processor_seconds(do_reference_work))

        gc.collect()
        gc.freeze()
        try:
            return min(once() for _ in range(times))
        finally:
            gc.unfreeze()

    return measure

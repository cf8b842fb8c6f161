"""Pages of one scroll that are inspected together are judged by the letters of all of them.

Records are made by hand in place of the networks'; four letters of four show no habit of a hand and
sixteen of sixteen do (the exact test of `test_habits.py`).
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import made
import pytest

from crownlet.infer.batch import worker as working
from crownlet.infer.batch.worker import PageGroup, PageJob, PageOutcome, PageWorker
from crownlet.infer.hand.adapt import LabelledLetters
from crownlet.infer.inspector import Inspector
from crownlet.infer.records import PageRecord
from crownlet.infer.run.run import open_run
from crownlet.infer.scrolls.members import PagePlace


class FourLetters(Inspector):
    """Reads every page as four letters resh with rounded corners; `a-2` cannot be read."""

    def load(self, source: object) -> Path:  # type: ignore[override]
        return Path(str(source))

    def label(self, page: object, text: object) -> LabelledLetters | None:
        return None

    def record_letters(  # type: ignore[override]
        self, page: Path, text: object = None, name: str | None = None, others: object = ()
    ) -> PageRecord:
        if page.stem == "a-2":
            raise ValueError("no page")
        rows = [made.flagged(k, "ר", "corner_rounded", p=0.9999) for k in range(1, 5)]
        return replace(made.record(rows), name=name or page.stem)


@pytest.fixture(scope="module")
def inspector() -> FourLetters:
    return FourLetters(customs="beit_yosef")


def inspect(inspector: Inspector, out: Path, *names: str) -> list[PageOutcome]:
    jobs = tuple(PageJob(Path(f"{name}.png"), PagePlace(name, "a", None)) for name in names)
    worker = PageWorker(inspector, None, out)
    return list(worker.inspect_group(PageGroup(jobs)))


def test_pages_of_few_letters_pool_them(inspector: FourLetters, tmp_path: Path) -> None:
    alone = inspect(inspector, tmp_path / "alone", "a-1")
    assert [outcome.fault for outcome in alone] == [""]
    assert open_run(tmp_path / "alone").pages["a-1"].record.habits == ()
    outcomes = inspect(inspector, tmp_path / "all", "a-1", "a-2", "a-3", "a-4")
    assert [bool(outcome.fault) for outcome in outcomes] == [False, True, False, False]
    pages = open_run(tmp_path / "all").pages
    assert sorted(pages) == ["a-1", "a-3", "a-4"]
    for page in pages.values():
        (habit,) = page.record.habits
        assert (habit.kind, habit.seen, habit.judged) == ("habit", 4, 4)
        assert page.record.routed("finding") == ()


def test_a_page_that_cannot_be_written_leaves_the_others(
    inspector: FourLetters, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write = working.write_page

    def failing(record: PageRecord, *rest: object) -> Path:
        if record.name == "a-3":
            raise OSError(28, "No space left on device")
        return write(record, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(working, "write_page", failing)
    outcomes = inspect(inspector, tmp_path, "a-1", "a-3", "a-4")
    assert [bool(outcome.fault) for outcome in outcomes] == [False, True, False]
    assert "No space left" in outcomes[1].fault

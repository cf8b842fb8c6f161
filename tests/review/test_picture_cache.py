"""Small pictures kept beside a run: there without its scans, and never of another page."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
import synthetic_runs as made

from crownlet.infer.review.models import Item
from crownlet.infer.review.picture_cache import DiskCache, PictureCache
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.run.names import REVIEW_PICTURES_FILE
from crownlet.infer.run.run import Run, open_run


@contextmanager
def cutting(run: Run) -> Iterator[tuple[PictureCache, list[Item]]]:
    with (
        closing(ReviewStore.open(run.folder / "review.sqlite3", run)) as store,
        closing(PictureCache(run)) as crops,
    ):
        yield crops, store.all_items()


def pictures(run: Run) -> list[bytes | None]:
    with cutting(run) as (crops, items):
        crops.request(items, "wall", first=False)
        return [crops.get(item, "wall") for item in items]


@pytest.fixture
def run(tmp_path: Path) -> Run:
    return made.pictured(tmp_path, ["a", "b"])


def test_a_second_start_needs_no_scan(run: Run) -> None:
    cut = pictures(run)
    assert len(cut) > 20 and None not in cut
    for scan in (run.folder.parent / "scans").iterdir():
        scan.unlink()
    assert pictures(open_run(run.folder)) == cut
    with cutting(open_run(run.folder)) as (crops, items):
        assert crops.get(items[0], "near") is None  # Of the scan itself nothing is kept.
    (run.folder / REVIEW_PICTURES_FILE).unlink()
    assert set(pictures(open_run(run.folder))) == {None}


def test_a_page_inspected_anew_is_cut_anew(run: Run) -> None:
    pictures(run)
    made.write_page(made.record("a", 80, 0.3), run.folder)  # Of a scan that there is not.
    with cutting(open_run(run.folder)) as (crops, items):
        assert {item.page for item in items if crops.get(item, "wall")} == {"b"}


def test_a_damaged_file_or_one_that_is_none_does_no_harm(run: Run) -> None:
    cut = pictures(run)
    path = run.folder / REVIEW_PICTURES_FILE
    path.write_bytes(b"no database" * 1000)
    assert pictures(open_run(run.folder)) == cut
    path.unlink()
    path.mkdir()
    assert pictures(open_run(run.folder)) == cut


def test_pictures_of_another_state_of_the_page_go_away(tmp_path: Path) -> None:
    with closing(DiskCache(tmp_path / REVIEW_PICTURES_FILE)) as kept:
        kept.save("a", "first", {"1": b"x", "2": b"y"})
        kept.save("b", "first", {"1": b"z"})
        kept.save("a", "second", {"1": b"w"})
    with closing(DiskCache(tmp_path / REVIEW_PICTURES_FILE)) as kept:
        assert kept.load("a", "first") == {}
        assert kept.load("a", "second") == {"1": b"w"}
        assert kept.load("b", "first") == {"1": b"z"}


def test_pictures_make_room_before_another_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Reading takes more memory than the picture: what is held and what is read must fit together.

    The limit is this project's own decision (issue: 1.5 GB on pages of 150 megapixels).
    """
    import gc
    import weakref

    from crownlet.infer.run import pictures

    run = made.pictured(tmp_path, ["a", "b", "c"])
    monkeypatch.setattr(pictures, "CACHE_BYTES", 3 * made.SHAPE[0] * made.SHAPE[1])
    held = weakref.ref(run.pages["a"].pixels())
    read = pictures.read_picture

    def watched(*arguments: object) -> pictures.Pixels:
        gc.collect()
        assert held() is None  # the one before is gone when the next one is read
        return read(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(pictures, "read_picture", watched)
    assert run.pages["b"].pixels().shape[:2] == made.SHAPE

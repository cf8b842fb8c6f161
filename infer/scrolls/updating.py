"""The scrolls of a run brought up to date after some of its pages were inspected."""

from __future__ import annotations

from pathlib import Path

from crownlet.infer.run import open_run
from crownlet.infer.run.record import read_record
from crownlet.infer.scrolls.gathering import scrolls_of
from crownlet.infer.scrolls.grouping import place_pages
from crownlet.infer.scrolls.listing import given_places, write_scrolls
from crownlet.infer.scrolls.scroll import Scroll
from crownlet.infer.scrolls.sketch import sketch
from crownlet.infer.scrolls.table import Table


def update_scrolls(run: Path, table: Table | None = None) -> tuple[Scroll, ...]:
    """Write RUN/scrolls.json over all pages of a run; returns its scrolls.

    Pages are read as they stand on disk, so the list is the same whether they were inspected
    together or apart. TableError where table and pages do not go together, FileFault where the run
    cannot be read, OSError where it cannot be written.
    """
    # Read one by one and let go again: a run of a hundred scrolls is too large to hold.
    pages = [sketch(read_record(page.folder)) for page in open_run(run).pages.values()]
    places = place_pages([(page.name, page.path) for page in pages], table, given_places(run))
    scrolls = scrolls_of(pages, places)
    write_scrolls(run, scrolls, places)
    return scrolls

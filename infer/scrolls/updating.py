"""The scrolls of a run brought up to date after some of its pages were inspected."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from crownlet.infer.run import open_run
from crownlet.infer.scrolls.gathering import scrolls_of
from crownlet.infer.scrolls.grouping import place_pages
from crownlet.infer.scrolls.listing import given_places, write_scrolls
from crownlet.infer.scrolls.scroll import Scroll
from crownlet.infer.scrolls.sketch import Sketch, sketch
from crownlet.infer.scrolls.table import Table


def update_scrolls(
    run: Path, fresh: Mapping[str, Sketch], table: Table | None = None
) -> tuple[Scroll, ...]:
    """Write RUN/scrolls.json over all pages of a run; returns its scrolls.

    `fresh` are the pages just inspected, by name; the others are read from the run. TableError
    where table and pages do not go together, FileFault where the run cannot be read, OSError where
    it cannot be written.
    """
    pages = list(_stored(run, fresh))
    names = [(page.name, page.path) for page in pages]
    places = place_pages(names, table, given_places(run))
    scrolls = scrolls_of(pages, places)
    write_scrolls(run, scrolls, places)
    return scrolls


def _stored(run: Path, fresh: Mapping[str, Sketch]) -> Iterable[Sketch]:
    """All pages of the run in brief, in the order of their names."""
    for name, page in open_run(run).pages.items():
        yield fresh[name] if name in fresh else sketch(page.record)

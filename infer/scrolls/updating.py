"""The scrolls of a run brought up to date after some of its pages were inspected."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from crownlet.infer.run import open_run
from crownlet.infer.run.record import read_record
from crownlet.infer.scrolls.alike import Signature, told
from crownlet.infer.scrolls.gathering import scrolls_of
from crownlet.infer.scrolls.grouping import place_pages
from crownlet.infer.scrolls.listing import given_places, write_scrolls
from crownlet.infer.scrolls.mixups import same_pictures
from crownlet.infer.scrolls.scroll import Scroll
from crownlet.infer.scrolls.sketch import Sketch, sketch
from crownlet.infer.scrolls.table import Table


def update_scrolls(run: Path, table: Table | None = None) -> tuple[Scroll, ...]:
    """Write RUN/scrolls.json over all pages of a run; returns its scrolls.

    Pages are read as they stand on disk, so the list is the same whether they were inspected
    together or apart. TableError where table and pages do not go together, FileFault where the run
    cannot be read, OSError where it cannot be written.
    """
    pages = open_run(run).pages
    images = {name: page.image for name, page in pages.items()}
    places = place_pages(
        [(name, path) for name, (path, _) in images.items()], table, given_places(run)
    )
    doubled = same_pictures((name, checksum) for name, (_, checksum) in images.items())

    signs: dict[str, Signature | None] = {}

    def read(name: str) -> Sketch:
        page = sketch(read_record(pages[name].folder, measured=False))
        signs[name] = page.sign
        return replace(page, name=name)

    # Scroll by scroll: the letters of a library's pages are too many to hold.
    scrolls = told(tuple(scrolls_of(places, doubled, read)), signs, doubled)
    write_scrolls(run, scrolls, places)
    return scrolls

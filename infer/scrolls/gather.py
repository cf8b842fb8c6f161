"""The scrolls of a run's pages: gathered, written to scrolls.json, brought up to date."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from crownlet.datasets.files.atomic import atomic_write, write_json
from crownlet.datasets.files.documents import parse_json
from crownlet.datasets.files.errors import FileFault
from crownlet.infer.records import PageRecord
from crownlet.infer.run.names import SCROLLS_FILE
from crownlet.infer.run.run import open_run
from crownlet.infer.scrolls import checks
from crownlet.infer.scrolls.crowns import compare_crowns
from crownlet.infer.scrolls.evenness import measure_evenness
from crownlet.infer.scrolls.habits import scroll_habits
from crownlet.infer.scrolls.members import PagePlace, ScrollTable, place_pages
from crownlet.infer.scrolls.same_page import Signature, add_same_page_notes
from crownlet.infer.scrolls.scroll import Scroll
from crownlet.infer.scrolls.sketch import PageSketch, sketch_page


def gather_scrolls(
    records: Iterable[PageRecord], table: ScrollTable | None = None
) -> tuple[Scroll, ...]:
    """The scrolls of some pages, in the order of their first pages.

    `records` is iterated once. ScrollTableError where the table and the pages do not go together.
    """
    pages = {page.name: page for page in map(sketch_page, records)}
    places = place_pages([(page.name, page.path) for page in pages.values()], table)
    doubled = checks.same_pictures((page.name, page.sha256) for page in pages.values())
    signs = {page.name: page.sign for page in pages.values()}
    return add_same_page_notes(scrolls_of(places, doubled, pages.__getitem__), signs, doubled)


def scrolls_of(
    places: Iterable[PagePlace], doubled: Mapping[str, str], read: Callable[[str], PageSketch]
) -> Iterator[Scroll]:
    """The scrolls of pages whose places are known, one after the other.

    `doubled` is the result of `checks.same_pictures`, `read` returns a page by its name.
    """
    groups: dict[str, list[PagePlace]] = {}
    for place in places:
        groups.setdefault(place.scroll.casefold(), []).append(place)
    for group in groups.values():
        yield _scroll(group, {place.page: read(place.page) for place in group}, doubled)


def _scroll(
    group: Sequence[PagePlace], pages: Mapping[str, PageSketch], doubled: Mapping[str, str]
) -> Scroll:
    sides = {place.page: pages[place.page].side or place.side or "face" for place in group}
    faces = [pages[name] for name, side in sides.items() if side == "face"]
    reverses = [pages[name] for name, side in sides.items() if side == "reverse"]
    comparison = None
    if faces and reverses:
        comparison = compare_crowns(
            (letter for page in faces for letter in page.letters),
            (letter for page in reverses for letter in page.letters),
        )
    return Scroll(
        name=group[0].scroll,
        faces=tuple(page.name for page in faces),
        reverses=tuple(page.name for page in reverses),
        source=next((place.source for place in group if place.source), None),
        notes=tuple(_notes(group, faces, reverses, doubled)),
        comparison=comparison,
        consistency=measure_evenness([(page.lines, page.letters) for page in faces])
        if faces
        else None,
        habits=scroll_habits(faces, reverses),
    )


def _notes(
    group: Sequence[PagePlace],
    faces: Sequence[PageSketch],
    reverses: Sequence[PageSketch],
    doubled: Mapping[str, str],
) -> list[str]:
    """The notes of a scroll, each once: on pictures, on pages compared with each other, on
    pages."""
    pages = [*faces, *reverses]
    given = {place.page: place.side for place in group}
    notes = [doubled[page.name] for page in pages if page.name in doubled]
    notes += checks.same_texts(faces) + checks.same_texts(reverses)
    notes += checks.not_compared(pages)
    notes += checks.other_hands(faces) if len(faces) > 1 else []
    for page in pages:
        own = [*checks.exchanged_side(page, given[page.name]), *page.notes]
        notes += [f"{page.name}: {note}" if len(pages) > 1 else note for note in own]
    return list(dict.fromkeys(notes))


SCROLLS_SCHEMA = 3


def write_scrolls(run: Path, scrolls: Iterable[Scroll], places: Sequence[PagePlace]) -> Path:
    """Write RUN/scrolls.json; OSError if it cannot be written.

    Beside the scrolls it holds the sides as they were given, for pages inspected later.
    """
    data = {
        "schema": SCROLLS_SCHEMA,
        "scrolls": [dataclasses.asdict(scroll) for scroll in scrolls],
        "given": [dataclasses.asdict(place) for place in places],
    }
    with atomic_write(run / SCROLLS_FILE) as draft:
        write_json(draft, data)
    return run / SCROLLS_FILE


def given_places(run: Path) -> dict[str, PagePlace]:
    """The places that were given for the pages of a run, by page; empty without a list.

    FileFault if the list is there and cannot be read.
    """
    path = run / SCROLLS_FILE
    if not path.is_file():
        return {}
    try:
        data: dict[str, Any] = parse_json(path.read_bytes())
        return {entry["page"]: PagePlace(**entry) for entry in data["given"]}
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise FileFault(
            path, f"is no list of scrolls; without it names tell ({error!r})."
        ) from None


def update_scrolls(
    run: Path, table: ScrollTable | None = None, own: Collection[str] = ()
) -> tuple[Scroll, ...]:
    """Write RUN/scrolls.json over all pages of a run; returns its scrolls.

    `own` are the pages for which the table was written, as in `place_pages`.

    Pages are read as they stand on disk, so the list is the same whether they were inspected
    together or apart. ScrollTableError where table and pages do not go together, FileFault where
    the run cannot be read, OSError where it cannot be written.
    """
    pages = open_run(run).pages
    images = {name: page.image for name, page in pages.items()}
    places = place_pages(
        [(name, path) for name, (path, _) in images.items()], table, given_places(run), own
    )
    doubled = checks.same_pictures((name, checksum) for name, (_, checksum) in images.items())

    signs: dict[str, Signature | None] = {}

    def read(name: str) -> PageSketch:
        record, findings = pages[name].brief()
        page = sketch_page(record, findings if pages[name].has_findings else None)
        signs[name] = page.sign
        return replace(page, name=name)

    # Scroll by scroll: the letters of a library's pages do not fit into memory.
    scrolls = add_same_page_notes(tuple(scrolls_of(places, doubled, read)), signs, doubled)
    write_scrolls(run, scrolls, places)
    return scrolls

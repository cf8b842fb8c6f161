"""Records of pages in, scrolls out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

from crownlet.infer.records import PageRecord
from crownlet.infer.scrolls import mixups
from crownlet.infer.scrolls.alike import told
from crownlet.infer.scrolls.comparing import compare
from crownlet.infer.scrolls.evenness import evenness
from crownlet.infer.scrolls.grouping import Place, place_pages
from crownlet.infer.scrolls.hands import other_hands
from crownlet.infer.scrolls.scroll import Scroll
from crownlet.infer.scrolls.sketch import Sketch, sketch
from crownlet.infer.scrolls.table import Table


def gather(records: Iterable[PageRecord], table: Table | None = None) -> tuple[Scroll, ...]:
    """The scrolls of some pages, in the order of their first pages.

    `records` is gone through once, so they may be read one after the other. TableError where the
    table and the pages do not go together.
    """
    pages = {page.name: page for page in map(sketch, records)}
    places = place_pages([(page.name, page.path) for page in pages.values()], table)
    doubled = mixups.same_pictures((page.name, page.sha256) for page in pages.values())
    signs = {page.name: page.sign for page in pages.values()}
    return told(scrolls_of(places, doubled, pages.__getitem__), signs, doubled)


def scrolls_of(
    places: Iterable[Place], doubled: Mapping[str, str], read: Callable[[str], Sketch]
) -> Iterator[Scroll]:
    """The scrolls of pages whose places are known, one after the other.

    `doubled` has what `mixups.same_pictures` says of a page, `read` gives a page by its name.
    """
    groups: dict[str, list[Place]] = {}
    for place in places:
        groups.setdefault(place.scroll.casefold(), []).append(place)
    for group in groups.values():
        yield _scroll(group, {place.page: read(place.page) for place in group}, doubled)


def _scroll(
    group: Sequence[Place], pages: Mapping[str, Sketch], doubled: Mapping[str, str]
) -> Scroll:
    sides = {place.page: pages[place.page].side or place.side or "face" for place in group}
    faces = [pages[name] for name, side in sides.items() if side == "face"]
    reverses = [pages[name] for name, side in sides.items() if side == "reverse"]
    comparison = None
    if faces and reverses:
        comparison = compare(
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
        consistency=evenness([(page.lines, page.letters) for page in faces]) if faces else None,
    )


def _notes(
    group: Sequence[Place],
    faces: Sequence[Sketch],
    reverses: Sequence[Sketch],
    doubled: Mapping[str, str],
) -> list[str]:
    """What belongs at the top, each once: pictures, then pages against each other, then pages."""
    pages = [*faces, *reverses]
    given = {place.page: place.side for place in group}
    notes = [doubled[page.name] for page in pages if page.name in doubled]
    notes += mixups.same_texts(faces) + mixups.same_texts(reverses)
    notes += mixups.not_compared(pages)
    notes += other_hands(faces) if len(faces) > 1 else []
    for page in pages:
        own = [*mixups.exchanged(page, given[page.name]), *page.notes]
        notes += [f"{page.name}: {note}" if len(pages) > 1 else note for note in own]
    return list(dict.fromkeys(notes))

"""Pages of a run read for the sheets: records, findings, decisions, customs, and their pictures."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from crownlet.datasets.scribal.customs import SHIPPED_CUSTOMS, Customs, load_customs
from crownlet.infer.records import PageRecord
from crownlet.infer.run.names import SCROLLS_FILE
from crownlet.infer.run.pictures import CACHE_BYTES, CACHE_PICTURES, picture_bytes
from crownlet.infer.run.run import Run, StoredPage, StoredScroll
from crownlet.infer.run.tables import RunError, read_json
from crownlet.infer.sheet.decisions import Decisions
from crownlet.infer.sheet.page import SheetPage
from crownlet.infer.sheet.veil import VeiledPage
from crownlet.infer.view.language import translate


def load_pages(
    run: Run, scroll: StoredScroll, show_names: bool = False, decisions: Decisions | None = None,
    in_use: int = 0,
) -> list[SheetPage]:  # fmt: skip
    """The pages of a scroll, faces first; PageError if a picture has moved.

    `in_use` is the number of pages from which pictures are cut meanwhile, if more than these.
    """
    named = name_sides(scroll)
    pages = max(in_use, len(named))
    return [
        load_page(run.pages[name], *named[name], show_names, decisions or Decisions(), pages)
        for name in named
    ]


def name_sides(scroll: StoredScroll) -> dict[str, tuple[str, str]]:
    """Words for the side of each page, and the prefix of its numbers."""
    table = {}
    for pages, side, mark in ((scroll.faces, "face", ""), (scroll.reverses, "reverse", "R")):
        for k, name in enumerate(pages, start=1):
            several = len(pages) > 1
            table[name] = (
                f"{translate(side)} {k}" if several else translate(side),
                f"{mark}{chr(96 + k) if k <= 26 else f'p{k}-'}" if several else mark,
            )
    return table


def scroll_facts(run: Run, scroll: StoredScroll) -> Mapping[str, Any]:
    """The scroll's object in scrolls.json; empty for runs made before that file was written."""
    path = run.folder / SCROLLS_FILE
    listed = read_json(path).get("scrolls", ()) if path.is_file() else ()
    facts: Mapping[str, Any] = next((e for e in listed if e.get("name") == scroll.name), {})
    for name in ("comparison", "consistency"):
        if not isinstance(facts.get(name), Mapping | None):
            raise RunError(path, f"{name} of the scroll {scroll.name} is damaged.")
    statistics = {
        n: {"messages": (), **facts[n]} for n in ("comparison", "consistency") if facts.get(n)
    }
    return {**facts, **statistics}


def find_customs(page: PageRecord) -> Customs:
    """The customs by which a page was inspected, if they are shipped ones, else unspecified."""
    made = page.versions.get("customs", {})
    name = made.get("name", "")
    if name in SHIPPED_CUSTOMS:
        customs = load_customs(name)
        if customs.checksum == made.get("sha256", customs.checksum):
            return customs
    return load_customs()


def load_page(
    stored: StoredPage, side: str, mark: str, show_names: bool, decisions: Decisions, in_use: int
) -> SheetPage:
    """One of so many pages in use; PageError if its picture has moved."""
    name = stored.name
    decided = {number: each for (page, number), each in decisions.items() if page == name}
    stored.check_picture()
    image = stored.record.image
    read_apart = in_use * picture_bytes(image) > CACHE_BYTES or in_use > CACHE_PICTURES
    veiled = VeiledPage(stored.record, stored.pixels, show_names, read_apart)
    return SheetPage(
        name, side, mark, veiled, stored.findings, find_customs(stored.record), decided
    )

"""Pages as COCO records: every letter of a page on which something was decided."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from crownlet.datasets.coco import collect
from crownlet.infer.errors import FileFault
from crownlet.infer.records import PageRecord
from crownlet.infer.review.entries import Standing
from crownlet.infer.review.filling import SAME, overlap
from crownlet.infer.review.labels import Word, annotation, gap_label
from crownlet.infer.run import Run, StoredPage
from crownlet.infer.run.pictures import find_picture

Json = dict[str, Any]
Words = dict[tuple[int, ...], list[Word]]


def labels(run: Run, standing: Sequence[Standing]) -> tuple[Json, int, tuple[str, ...]]:
    """COCO labels, how many letters are labelled in them, and a sentence for each page left out."""
    by_page: dict[str, list[Standing]] = defaultdict(list)
    for said in standing:
        by_page[said.page].append(said)
    records, left_out, letters = [], [], 0
    for name, told in sorted(by_page.items()):
        try:
            words, lost = _placed(run.pages[name], told)
            records.append(_page(run, run.pages[name], words))
        except (KeyError, FileFault) as error:
            why = error.reason if isinstance(error, FileFault) else "it is no longer in the run."
            left_out.append(f"page {name} is left out of the labels: {why}")
            continue
        letters += sum(len(glyphs) == 1 for glyphs in words)
        if lost:
            left_out.append(
                f"page {name}: {lost} decisions on what is no longer read there are left out."
            )
    return collect(records), letters, tuple(left_out)


def _placed(page: StoredPage, told: Sequence[Standing]) -> tuple[Words, int]:
    """What was said, by the letters of the page as it is read now, and how many found no place."""
    words: Words = defaultdict(list)
    lost = 0
    for said in told:
        if not said.letter and len(said.glyphs) != 2:
            continue  # A place in the text or the layout of lines: COCO has no label for it.
        glyphs = _glyphs(page.record, said) if said.sha256 == page.checksum else ()
        if glyphs:
            words[glyphs].append(Word(said.kind, said.letter, said.decision))
        else:
            lost += 1
    return words, lost


def _glyphs(record: PageRecord, said: Standing) -> tuple[int, ...]:
    """The letters that were asked about; of an earlier inspection, the one at the same place."""
    if said.asked or len(said.glyphs) != 1:
        return said.glyphs if said.asked else ()
    best = max(record.glyphs, key=lambda glyph: overlap(glyph.box, said.box), default=None)
    return (best.glyph,) if best and overlap(best.box, said.box) >= SAME else ()


def _page(run: Run, page: StoredPage, words: Words) -> tuple[Json, list[Json]]:
    record = page.record
    gaps = {(gap.right_glyph, gap.left_glyph): gap for gap in record.gaps}
    image: Json = {
        "file_name": _picture(run, page),
        "width": record.image.width,
        "height": record.image.height,
        "crownlet": {
            "gaps": [
                gap_label(gaps[pair], told) for pair, told in sorted(words.items()) if pair in gaps
            ],
            "missing": [],
            "meta": {
                "page": page.name,
                "scroll": run.scroll_of(page.name).name,
                "labels": "some letters; of the others nothing is known",
                "boxes": "found by the locator",
                "sha256": page.checksum,
                "versions": {part: facts.get("version") for part, facts in record.versions.items()},
            },
        },
    }
    return image, [annotation(glyph, words.get((glyph.glyph,), ())) for glyph in record.glyphs]


def _picture(run: Run, page: StoredPage) -> str:
    """Where the picture lies, seen from the run; PageError if it has moved or changed."""
    path = find_picture(page.record.image, run.folder)
    try:
        return Path(os.path.relpath(path, run.folder)).as_posix()
    except ValueError:  # another drive
        return str(path.absolute())

"""Runs of made-up pages: dark blocks for letters, red ones for the letters of Divine Names."""

from __future__ import annotations

import base64
import json
from collections.abc import Sequence
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.files.images import ImageFacts, read_page
from crownlet.datasets.scribal.catalogue import CATALOGUE, GLYPH_DEFECTS
from crownlet.datasets.scribal.customs import load_customs
from crownlet.infer.findings.collect import collect_findings
from crownlet.infer.records import GlyphRecord, PageRecord
from crownlet.infer.run.run import Run, open_run
from crownlet.infer.run.write import write_page

Q = 14.0
SKIN, INK, HOLY = (236, 228, 208), (28, 24, 22), (220, 0, 0)
FOUR = "יהוה"
LINES = ("שמע ישראל " + FOUR + " אלהינו", FOUR + " אחד ואהבת גדל", "הדברים האלה בן")
"""The Name opens line 2; "our God" in line 1 is one with its ending (Keset HaSofer 11:7)."""
HOLY_WORDS = (FOUR, "אלהינו")

Doubt = tuple[str, str, float]
"""Defect, route, probability."""


def glyphs(
    lines: Sequence[str] = LINES, doubts: dict[int, Doubt] | None = None
) -> list[GlyphRecord]:
    """Letters of 3 q in lines 8 q apart, from the right; `doubts` by number of the letter."""
    made: list[GlyphRecord] = []
    word_number = 0
    for row, line in enumerate(lines):
        x = 1150.0
        for word in line.split(" "):
            word_number += 1
            for place, char in enumerate(word, start=1):
                top = 80.0 + row * 8 * Q
                box = (x - 2.4 * Q, top, x, top + 3 * Q)
                made.append(_glyph(len(made) + 1, row + 1, word_number, place, char, box, word))
                x -= 3 * Q
            x -= 1.5 * Q
    return [_doubted(g, *doubts[g.glyph]) if doubts and g.glyph in doubts else g for g in made]


def _glyph(
    number: int, line: int, word: int, place: int, char: str,
    box: tuple[float, float, float, float], whole: str,
) -> GlyphRecord:  # fmt: skip
    p = {d: 0.001 * (number % 7) if CATALOGUE[d].applies_to(char) else None for d in GLYPH_DEFECTS}
    return GlyphRecord(
        glyph=number, line=line, word=word, place=place, letter=char, letter_p=0.999,
        expected=char, box=box, body=((box[0] + box[2]) / 2, box[1], 3 * Q, 0.0), tags_seen=0,
        tags_expected=0, p=p, in_name=whole in HOLY_WORDS,
    )  # fmt: skip


def _doubted(glyph: GlyphRecord, kind: str, route: str, p: float) -> GlyphRecord:
    sure = (kind,) if route == "finding" else ()
    return replace(glyph, route=route, reasons=(kind,), sure=sure, p={**glyph.p, kind: p})  # type: ignore[arg-type]


def picture(letters: Sequence[GlyphRecord]) -> npt.NDArray[np.uint8]:
    """The page as RGB, 1240 px wide, 560 px high or as its lines need."""
    height = max(560, round(max(g.box[3] for g in letters)) + 80)
    page = np.empty((height, 1240, 3), np.uint8)
    page[:] = SKIN
    for g in letters:
        x0, y0, x1, y1 = (round(v) for v in g.box)
        page[y0:y1, x0:x1] = HOLY if g.in_name else INK
    return page


def page(folder: Path, name: str, letters: Sequence[GlyphRecord], **changes: object) -> None:
    """Write a page into `folder/run` and its picture into `folder/scans`."""
    scan = folder / "scans" / f"{name}.png"
    scan.parent.mkdir(parents=True, exist_ok=True)
    cv2.imwrite(str(scan), cv2.cvtColor(picture(letters), cv2.COLOR_RGB2BGR))
    facts: ImageFacts = read_page(scan).facts
    record = PageRecord(name, facts, tuple(letters), (), None, 0)
    record = replace(record, **changes)  # type: ignore[arg-type]
    write_page(record, folder / "run", collect_findings(record, load_customs()))


def scrolls(folder: Path, entries: Sequence[dict[str, object]]) -> Run:
    """Write scrolls.json and open the run."""
    rows = [{"source": None, "notes": [], "reverses": []} | entry for entry in entries]
    path = folder / "run" / "scrolls.json"
    path.write_text(json.dumps({"schema": 1, "scrolls": rows, "given": []}), encoding="utf-8")
    return open_run(folder / "run")


class Document(HTMLParser):
    """What an HTML file holds, checked to be well nested."""

    VOID = frozenset({"meta", "br", "img", "link", "hr", "input"})

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.sources: list[str] = []
        self.open: list[str] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._seen(tag, attrs)
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._seen(tag, attrs)

    def _seen(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = dict(attrs)
        self.tags.append(tag)
        if values.get("id"):
            self.ids.append(str(values["id"]))
        for key in ("src", "href", "xlink:href", "srcset", "data", "action"):
            if value := values.get(key):
                (self.links if tag == "a" else self.sources).append(value)

    def handle_endtag(self, tag: str) -> None:
        assert self.open
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] != "style":
            self.words.append(data)

    @property
    def text(self) -> str:
        """All words shown."""
        return " ".join(self.words)

    def pictures(self) -> list[npt.NDArray[np.uint8]]:
        """Every embedded picture, RGB."""
        made = []
        for source in self.sources:
            kind, _, data = source.partition(";base64,")
            assert kind == "data:image/jpeg"
            raw = np.frombuffer(base64.b64decode(data), np.uint8)
            bgr = cv2.imdecode(raw, cv2.IMREAD_COLOR)
            assert bgr is not None
            made.append(np.asarray(bgr[..., ::-1], np.uint8))
        return made


def red(image: npt.NDArray[np.uint8]) -> npt.NDArray[np.bool_]:
    """Where the ink of a Name shows; JPEG moves colours a little."""
    wide = image.astype(np.int16)
    return np.asarray((wide[..., 0] > 150) & (wide[..., 1] < 90) & (wide[..., 2] < 90))

"""Pages of which lines and their text are known: PAGE-XML and ALTO.

PAGE: Pletschacher and Antonacopoulos 2010, schema of 2019-07-15; ALTO: schema 4 of the Library of
Congress. Lines come in reading order where the file gives one, else in its own.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from xml.etree.ElementTree import Element

from crownlet.datasets.alphabet import BY_CHAR
from crownlet.datasets.coco_read import LabelError
from crownlet.datasets.page.truth import Box
from crownlet.datasets.scans.complaints import Complaint
from crownlet.datasets.scans.safe_xml import children, every, parse_xml, tag

SPACES = "\u05be"
"""Maqaf joins words that a scroll parts."""


@dataclass(frozen=True)
class WrittenLine:
    """One line: its id, its text as given, and its box in px where there is one."""

    id: str
    text: str
    box: Box | None


@dataclass(frozen=True)
class WrittenPage:
    """A picture's file name and size (0 where the file does not say), and its lines."""

    picture: str
    size: tuple[int, int]
    lines: tuple[WrittenLine, ...]

    @property
    def text(self) -> str:
        """The letters line by line, as `read_portion` takes them."""
        return "".join(f"{letters(line.text)}\n" for line in self.lines if letters(line.text))


def read_written(path: Path) -> WrittenPage:
    """The page of a PAGE-XML or ALTO file; LabelError if it is neither, or refused."""
    root = parse_xml(path)
    if tag(root) == "PcGts":
        return _page(root, path)
    if tag(root) == "alto":
        return _alto(root, path)
    raise LabelError(f"{path} is neither PAGE-XML nor ALTO: its root is {tag(root)}")


def letters(text: str) -> str:
    """Text without points and accents, maqaf made a space, single spaces between words."""
    plain = "".join(" " if c in SPACES else c for c in unicodedata.normalize("NFD", text))
    bare = "".join(c for c in plain if unicodedata.category(c) not in ("Mn", "Cf"))
    return " ".join(bare.split())


def written_complaints(page: WrittenPage, file: str, size: tuple[int, int]) -> list[Complaint]:
    """What is wrong with the lines of a page whose picture is `size` px."""
    found = []
    if page.size not in ((0, 0), size):
        found.append(
            f"is said to be {page.size[0]} x {page.size[1]} px, it is {size[0]} x {size[1]}"
        )
    rows = [Complaint(file, f"page {page.picture}", why) for why in found]
    if not any(letters(line.text) for line in page.lines):
        rows.append(Complaint(file, f"page {page.picture}", "no line of it has text"))
    seen: set[str] = set()
    for line in page.lines:
        rows += [Complaint(file, f"line {line.id}", why) for why in _line_faults(line, size, seen)]
        seen.add(line.id)
    return rows


def _line_faults(line: WrittenLine, size: tuple[int, int], seen: set[str]) -> Iterator[str]:
    if line.id in seen:
        yield "its id is given twice"
    for char in sorted({c for c in letters(line.text) if c != " " and c not in BY_CHAR}):
        yield f"U+{ord(char):04X} is not one of the 27 letters"
    if line.box is not None:
        x0, y0, x1, y1 = line.box
        if min(x0, y0) < -1 or x1 > size[0] + 1 or y1 > size[1] + 1 or x1 < x0 or y1 < y0:
            yield f"its box lies outside the picture of {size[0]} x {size[1]} px"


def _page(root: Element, path: Path) -> WrittenPage:
    pages = children(root, "Page")
    if len(pages) != 1:
        raise LabelError(f"{path} holds {len(pages)} pages, not one")
    page = pages[0]
    regions = _ordered(page)
    lines = [line for region in regions for line in children(region, "TextLine")]
    return WrittenPage(
        page.get("imageFilename", ""),
        (_int(page.get("imageWidth"), path), _int(page.get("imageHeight"), path)),
        tuple(WrittenLine(line.get("id", "?"), _unicode(line), _points(line)) for line in lines),
    )


def _ordered(page: Element) -> list[Element]:
    """Text regions, those first that the reading order names, as it has them."""
    regions = {region.get("id", ""): region for region in every(page, "TextRegion")}
    refs = [
        ref for order in children(page, "ReadingOrder") for ref in every(order, "RegionRefIndexed")
    ]
    refs.sort(key=lambda ref: int(ref.get("index", "0")) if ref.get("index", "0").isdigit() else 0)
    first = [ref.get("regionRef", "") for ref in refs if ref.get("regionRef") in regions]
    return [regions[name] for name in dict.fromkeys((*first, *regions))]


def _unicode(line: Element) -> str:
    """The first reading of a line; its words' where the line itself has none."""
    ranked = sorted(children(line, "TextEquiv"), key=lambda e: e.get("index", "0").zfill(6))
    for equiv in ranked:
        for text in children(equiv, "Unicode"):
            return text.text or ""
    return " ".join(_unicode(word) for word in children(line, "Word"))


def _points(line: Element) -> Box | None:
    for coords in children(line, "Coords"):
        try:
            pairs = [tuple(map(float, p.split(","))) for p in coords.get("points", "").split()]
            xs, ys = [p[0] for p in pairs], [p[1] for p in pairs]
            return min(xs), min(ys), max(xs), max(ys)
        except (ValueError, IndexError):
            return None
    return None


def _alto(root: Element, path: Path) -> WrittenPage:
    pages = every(root, "Page")
    if len(pages) != 1:
        raise LabelError(f"{path} holds {len(pages)} pages, not one")
    page, names = pages[0], every(root, "fileName")
    # Only px can be compared with a picture; other units need the resolution.
    in_px = any((unit.text or "").strip() == "pixel" for unit in every(root, "MeasurementUnit"))
    size = (_int(page.get("WIDTH"), path), _int(page.get("HEIGHT"), path)) if in_px else (0, 0)
    lines = tuple(
        WrittenLine(
            line.get("ID", f"{number}"),
            " ".join(word.get("CONTENT", "") for word in children(line, "String")),
            _rectangle(line) if in_px else None,
        )
        for number, line in enumerate(every(page, "TextLine"), start=1)
    )
    return WrittenPage((names[0].text or "").strip() if names else "", size, lines)


def _rectangle(line: Element) -> Box | None:
    try:
        x, y, wide, high = (float(line.attrib[k]) for k in ("HPOS", "VPOS", "WIDTH", "HEIGHT"))
    except (KeyError, ValueError):
        return None
    return x, y, x + wide, y + high


def _int(text: str | None, path: Path) -> int:
    try:
        return int(float(text)) if text else 0
    except (ValueError, OverflowError):
        raise LabelError(f"{path} gives {text!r} as the size of its page") from None

"""Pictures brought together with what is known of them: COCO, PAGE-XML, ALTO, or nothing."""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any
from xml.etree import ElementTree
from xml.etree.ElementTree import Element
from xml.parsers import expat

from crownlet.datasets.coco.read import LabelError
from crownlet.datasets.coco.truth import Box
from crownlet.datasets.scans.check_coco import coco_complaints
from crownlet.datasets.scans.complaint import Complaint
from crownlet.datasets.scans.pictures import Picture, look, picture_files
from crownlet.datasets.scribal.alphabet import BY_CHAR

MOST_BYTES = 64 * 2**20

DEEPEST = 64
"""A line of PAGE with glyphs stands at depth 7."""


def parse_xml(path: Path) -> ElementTree.Element:
    """The root of an XML file; LabelError says in one sentence why it is refused."""
    try:
        if path.stat().st_size > MOST_BYTES:
            raise LabelError(f"{path} is larger than {MOST_BYTES // 2**20} MiB")
        data = path.read_bytes()
    except FileNotFoundError:
        raise LabelError(f"{path} does not exist") from None
    try:
        _scan(data, path)
        return ElementTree.fromstring(data)
    except (expat.ExpatError, ElementTree.ParseError, ValueError, LookupError) as error:
        if isinstance(error, LabelError):
            raise
        raise LabelError(f"{path} is not XML: {error}") from None


def _scan(data: bytes, path: Path) -> None:
    """Run through the file without building anything."""
    parser, depth = expat.ParserCreate(), 0

    def doctype(*_: object) -> None:
        raise LabelError(f"{path} has a DOCTYPE, which labels never need")

    def opened(*_: object) -> None:
        nonlocal depth
        depth += 1
        if depth > DEEPEST:
            raise LabelError(f"{path} is nested more than {DEEPEST} deep")

    def closed(*_: object) -> None:
        nonlocal depth
        depth -= 1

    parser.StartDoctypeDeclHandler = doctype
    parser.StartElementHandler, parser.EndElementHandler = opened, closed
    parser.Parse(data, True)


def tag(element: ElementTree.Element) -> str:
    """Name of an element without its namespace, which differs by version."""
    return element.tag.rsplit("}", 1)[-1] if isinstance(element.tag, str) else ""


def children(element: ElementTree.Element, name: str) -> list[ElementTree.Element]:
    """Direct children of that name."""
    return [child for child in element if tag(child) == name]


def every(element: ElementTree.Element, name: str) -> list[ElementTree.Element]:
    """All of that name below, in the file's order."""
    return [child for child in element.iter() if tag(child) == name]


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


Json = dict[str, Any]


@dataclass(frozen=True)
class Arrival:
    """A picture with its labels or its text, if there are any."""

    picture: Picture
    labels: Json | None = None
    """COCO labels of this picture alone."""
    text: str | None = None
    scroll: str | None = None
    """As the labels name it."""
    how: str = ""


Found = tuple[list[Arrival], list[Complaint]]


def arrivals(scans: Sequence[Path], labels: Sequence[Path]) -> Found:
    """The pictures with what is known of them, and what is wrong; LabelError for no labels."""
    pictures, wrong = _looked(picture_files(list(scans)))
    kinds = {path.suffix.lower() for path in labels}
    if not labels:
        return [Arrival(picture) for picture in pictures], wrong
    if kinds == {".json"} and len(labels) == 1:
        came, more = _of_coco(labels[0], pictures)
    elif kinds == {".xml"}:
        came, more = _of_lines(labels, pictures)
    else:
        raise LabelError("labels are one COCO file (.json), or PAGE-XML and ALTO files (.xml)")
    return came, wrong + more


def _looked(files: Iterable[Path]) -> tuple[list[Picture], list[Complaint]]:
    from crownlet.datasets.files.errors import FileFault

    pictures, wrong = [], []
    for path in files:
        try:
            pictures.append(look(path))
        except FileFault as error:
            wrong.append(Complaint(str(path), "", error.reason.rstrip(".")))
    return pictures, wrong


def _of_coco(path: Path, pictures: Sequence[Picture]) -> Found:
    data = read_json(path)
    images = data.get("images") if isinstance(data, dict) else None
    names = [str(i.get("file_name")) for i in images or () if isinstance(i, dict)]
    found = {name: picture for name in names if (picture := _by_name(name, pictures))}
    wrong = coco_complaints(data, str(path), {n: p.size for n, p in found.items()})
    if wrong:
        return [], wrong
    return [
        Arrival(
            found[image["file_name"]], part(data, image), None, _scroll(image),
            "letters and defects, as given" if _tells_defects(data) else "letters only, as given",
        )
        for image in data["images"]
    ], []  # fmt: skip


def _of_lines(paths: Sequence[Path], pictures: Sequence[Picture]) -> Found:
    came, wrong = [], []
    for path in sorted(paths):
        try:
            page = read_written(path)
        except LabelError as error:
            wrong.append(Complaint(str(path), "", str(error).removeprefix(f"{path} ")))
            continue
        # Tools that make PAGE and ALTO name the file after the picture.
        picture = _by_name(page.picture, pictures) or _by_stem(path.stem, pictures)
        if picture is None:
            wrong.append(Complaint(str(path), "", f"its picture {page.picture} is not there"))
            continue
        wrong += written_complaints(page, str(path), picture.size)
        came.append(Arrival(picture, None, page.text))
    return came, wrong


def read_json(path: Path) -> Any:
    """The content of a JSON file; LabelError if it is none."""
    try:
        return json.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise LabelError(f"{path} does not exist") from None
    except (ValueError, RecursionError) as error:
        raise LabelError(f"{path} is not JSON: {error}") from None


def part(data: Json, image: Json) -> Json:
    """The labels of one picture, in the same order."""
    return {
        "info": data.get("info", {}),
        "images": [dict(image)],
        "annotations": [a for a in data.get("annotations", ()) if a["image_id"] == image["id"]],
        "categories": data["categories"],
    }


def _by_name(name: str, pictures: Sequence[Picture]) -> Picture | None:
    """The picture at the end of whose path the name stands; labels may name folders too."""
    wanted = PurePosixPath(name.replace("\\", "/")).name
    return next((p for p in pictures if wanted and p.path.name == wanted), None)


def _by_stem(stem: str, pictures: Sequence[Picture]) -> Picture | None:
    return next((p for p in pictures if p.path.stem == stem), None)


def _scroll(image: Json) -> str | None:
    scroll = (image.get("crownlet") or {}).get("meta", {}).get("scroll")
    return str(scroll) if scroll is not None else None


def _tells_defects(data: Json) -> bool:
    own = [a.get("attributes") or {} for a in data.get("annotations", ())]
    return any(o["known"] if o.get("known") is not None else "defects" in o for o in own)

"""Pictures matched with their labels: COCO, PAGE-XML, ALTO, or none.

PAGE: Pletschacher and Antonacopoulos 2010, schema of 2019-07-15; ALTO: schema 4 of the Library of
Congress. Lines come in reading order where the file gives one, else in the file's order. XML with a
DOCTYPE is refused before a tree is built: entities can grow to gigabytes or name files of this
machine ("XML vulnerabilities" in Python's library reference), and PAGE and ALTO never have one.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any
from xml.etree import ElementTree
from xml.etree.ElementTree import Element
from xml.parsers import expat

from crownlet.datasets.coco.read import MAX_LABELS_BYTES, LabelError
from crownlet.datasets.coco.truth import Box
from crownlet.datasets.files.documents import parse_json, read_small_file
from crownlet.datasets.files.errors import quoted
from crownlet.datasets.scans.check_coco import coco_complaints
from crownlet.datasets.scans.complaint import Complaint
from crownlet.datasets.scans.pictures import ScanPicture, find_pictures, read_picture
from crownlet.datasets.scribal.alphabet import BY_CHAR

MAX_XML_BYTES = 64 * 2**20

MAX_XML_DEPTH = 64
"""A line of PAGE with glyphs stands at depth 7."""


WORD_JOINERS = "\u05be"
"""Maqaf joins words that a scroll parts."""

Json = dict[str, Any]


def parse_xml(path: Path) -> ElementTree.Element:
    """The root of an XML file; LabelError says in one sentence why it is refused."""
    try:
        data = read_small_file(path, MAX_XML_BYTES)
    except FileNotFoundError:
        raise LabelError(f"{path} does not exist") from None
    except OSError as error:
        raise LabelError(f"{path} {error.strerror or error}") from None
    try:
        _check_xml(data, path)
        return ElementTree.fromstring(data)
    except (expat.ExpatError, ElementTree.ParseError, ValueError, LookupError) as error:
        if isinstance(error, LabelError):
            raise
        raise LabelError(f"{path} is not XML: {error}") from None


def _check_xml(data: bytes, path: Path) -> None:
    """Parse without building a tree; LabelError for a DOCTYPE or too deep nesting."""
    parser, depth = expat.ParserCreate(), 0

    def doctype(*_: object) -> None:
        raise LabelError(f"{path} has a DOCTYPE, which labels never need")

    def opened(*_: object) -> None:
        nonlocal depth
        depth += 1
        if depth > MAX_XML_DEPTH:
            raise LabelError(f"{path} is nested more than {MAX_XML_DEPTH} deep")

    def closed(*_: object) -> None:
        nonlocal depth
        depth -= 1

    parser.StartDoctypeDeclHandler = doctype
    parser.StartElementHandler, parser.EndElementHandler = opened, closed
    parser.Parse(data, True)


def local_name(element: ElementTree.Element) -> str:
    """Name of an element without its namespace, which differs by version."""
    return element.tag.rsplit("}", 1)[-1] if isinstance(element.tag, str) else ""


def child_elements(element: ElementTree.Element, name: str) -> list[ElementTree.Element]:
    """Direct children of that name."""
    return [child for child in element if local_name(child) == name]


def descendants(element: ElementTree.Element, name: str) -> list[ElementTree.Element]:
    """All of that name below, in the file's order."""
    return [child for child in element.iter() if local_name(child) == name]


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
        return "".join(
            f"{strip_points(line.text)}\n" for line in self.lines if strip_points(line.text)
        )


def read_written_page(path: Path) -> WrittenPage:
    """The page of a PAGE-XML or ALTO file; LabelError if it is neither, or refused."""
    root = parse_xml(path)
    if local_name(root) == "PcGts":
        return _read_page_xml(root, path)
    if local_name(root) == "alto":
        return _read_alto(root, path)
    raise LabelError(f"{path} is neither PAGE-XML nor ALTO: its root is {local_name(root)}")


def strip_points(text: str) -> str:
    """Text without points and accents, maqaf made a space, single spaces between words."""
    plain = "".join(" " if c in WORD_JOINERS else c for c in unicodedata.normalize("NFD", text))
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
    if not any(strip_points(line.text) for line in page.lines):
        rows.append(Complaint(file, f"page {page.picture}", "no line of it has text"))
    seen: set[str] = set()
    for line in page.lines:
        rows += [Complaint(file, f"line {line.id}", why) for why in _line_faults(line, size, seen)]
        seen.add(line.id)
    return rows


def _line_faults(line: WrittenLine, size: tuple[int, int], seen: set[str]) -> Iterator[str]:
    if line.id in seen:
        yield "its id is given twice"
    for char in sorted({c for c in strip_points(line.text) if c != " " and c not in BY_CHAR}):
        yield f"U+{ord(char):04X} is not one of the 27 letters"
    if line.box is not None:
        x0, y0, x1, y1 = line.box
        if min(x0, y0) < -1 or x1 > size[0] + 1 or y1 > size[1] + 1 or x1 < x0 or y1 < y0:
            yield f"its box lies outside the picture of {size[0]} x {size[1]} px"


def _read_page_xml(root: Element, path: Path) -> WrittenPage:
    pages = child_elements(root, "Page")
    if len(pages) != 1:
        raise LabelError(f"{path} holds {len(pages)} pages, not one")
    page = pages[0]
    regions = _regions_in_order(page)
    lines = [line for region in regions for line in child_elements(region, "TextLine")]
    return WrittenPage(
        page.get("imageFilename", ""),
        (_read_length(page.get("imageWidth"), path), _read_length(page.get("imageHeight"), path)),
        tuple(
            WrittenLine(line.get("id", "?"), _line_text(line), _line_box(line)) for line in lines
        ),
    )


def _regions_in_order(page: Element) -> list[Element]:
    """Text regions, those first that the reading order names, as it has them."""
    regions = {region.get("id", ""): region for region in descendants(page, "TextRegion")}
    refs = [
        ref
        for order in child_elements(page, "ReadingOrder")
        for ref in descendants(order, "RegionRefIndexed")
    ]
    refs.sort(key=_reading_index)
    first = [ref.get("regionRef", "") for ref in refs if ref.get("regionRef") in regions]
    return [regions[name] for name in dict.fromkeys((*first, *regions))]


def _reading_index(ref: Element) -> int:
    """The place that a reference names; 0 where it names none: "²" is a digit, but no number."""
    index = ref.get("index", "0")
    return int(index) if index.isascii() and index.isdigit() and len(index) < 10 else 0


def _line_text(line: Element) -> str:
    """The first reading of a line; its words' where the line itself has none."""
    ranked = sorted(child_elements(line, "TextEquiv"), key=lambda e: e.get("index", "0").zfill(6))
    for equiv in ranked:
        for text in child_elements(equiv, "Unicode"):
            return text.text or ""
    return " ".join(_line_text(word) for word in child_elements(line, "Word"))


def _line_box(line: Element) -> Box | None:
    for coords in child_elements(line, "Coords"):
        try:
            pairs = [tuple(map(float, p.split(","))) for p in coords.get("points", "").split()]
            xs, ys = [p[0] for p in pairs], [p[1] for p in pairs]
            return min(xs), min(ys), max(xs), max(ys)
        except (ValueError, IndexError):
            return None
    return None


def _read_alto(root: Element, path: Path) -> WrittenPage:
    pages = descendants(root, "Page")
    if len(pages) != 1:
        raise LabelError(f"{path} holds {len(pages)} pages, not one")
    page, names = pages[0], descendants(root, "fileName")
    # Only px can be compared with a picture; other units need the resolution.
    in_px = any(
        (unit.text or "").strip() == "pixel" for unit in descendants(root, "MeasurementUnit")
    )
    size = (
        (_read_length(page.get("WIDTH"), path), _read_length(page.get("HEIGHT"), path))
        if in_px
        else (0, 0)
    )
    lines = tuple(
        WrittenLine(
            line.get("ID", f"{number}"),
            " ".join(word.get("CONTENT", "") for word in child_elements(line, "String")),
            _alto_line_box(line) if in_px else None,
        )
        for number, line in enumerate(descendants(page, "TextLine"), start=1)
    )
    return WrittenPage((names[0].text or "").strip() if names else "", size, lines)


def _alto_line_box(line: Element) -> Box | None:
    try:
        x, y, wide, high = (float(line.attrib[k]) for k in ("HPOS", "VPOS", "WIDTH", "HEIGHT"))
    except (KeyError, ValueError):
        return None
    return x, y, x + wide, y + high


def _read_length(text: str | None, path: Path) -> int:
    try:
        return int(float(text)) if text else 0
    except (ValueError, OverflowError):
        raise LabelError(f"{path} gives {quoted(text or '')} as the size of its page") from None


@dataclass(frozen=True)
class ImportedScan:
    """A picture with its labels or its text, if there are any."""

    picture: ScanPicture
    labels: Json | None = None
    """COCO labels of this picture alone."""
    text: str | None = None
    scroll: str | None = None
    """As the labels name it."""
    how: str = ""


Imported = tuple[list[ImportedScan], list[Complaint]]


def import_scans(scans: Sequence[Path], labels: Sequence[Path]) -> Imported:
    """The pictures with what is known of them, and what is wrong; LabelError for no labels."""
    pictures, wrong = _read_pictures(find_pictures(list(scans)))
    kinds = {path.suffix.lower() for path in labels}
    if not labels:
        return [ImportedScan(picture) for picture in pictures], wrong
    if kinds == {".json"} and len(labels) == 1:
        came, more = _import_coco(labels[0], pictures)
    elif kinds == {".xml"}:
        came, more = _import_lines(labels, pictures)
    else:
        raise LabelError("labels are one COCO file (.json), or PAGE-XML and ALTO files (.xml)")
    return came, wrong + more


def _read_pictures(files: Iterable[Path]) -> tuple[list[ScanPicture], list[Complaint]]:
    from crownlet.datasets.files.errors import FileFault

    pictures, wrong = [], []
    for path in files:
        try:
            pictures.append(read_picture(path))
        except FileFault as error:
            wrong.append(Complaint(str(path), "", error.reason.rstrip(".")))
    return pictures, wrong


def _import_coco(path: Path, pictures: Sequence[ScanPicture]) -> Imported:
    data = read_json(path)
    images = data.get("images") if isinstance(data, dict) else None
    listed = images if isinstance(images, list) else []
    names = [str(image.get("file_name")) for image in listed if isinstance(image, dict)]
    found = {name: picture for name in names if (picture := _find_by_name(name, pictures))}
    wrong = coco_complaints(data, str(path), {n: p.size for n, p in found.items()})
    if wrong:
        return [], wrong
    return [
        ImportedScan(
            found[image["file_name"]], labels_of_image(data, image), None, _scroll_name(image),
            "letters and defects, as given" if _labels_defects(data) else "letters only, as given",
        )
        for image in data["images"]
    ], []  # fmt: skip


def _import_lines(paths: Sequence[Path], pictures: Sequence[ScanPicture]) -> Imported:
    came, wrong = [], []
    for path in sorted(paths):
        try:
            page = read_written_page(path)
        except LabelError as error:
            wrong.append(Complaint(str(path), "", str(error).removeprefix(f"{path} ")))
            continue
        # Tools that make PAGE and ALTO name the file after the picture.
        picture = _find_by_name(page.picture, pictures) or _find_by_stem(path.stem, pictures)
        if picture is None:
            wrong.append(Complaint(str(path), "", f"its picture {page.picture} is not there"))
            continue
        wrong += written_complaints(page, str(path), picture.size)
        came.append(ImportedScan(picture, None, page.text))
    return came, wrong


def read_json(path: Path) -> Any:
    """The content of a JSON file; LabelError if it is none."""
    try:
        return parse_json(read_small_file(path, MAX_LABELS_BYTES).decode("utf-8-sig"))
    except FileNotFoundError:
        raise LabelError(f"{path} does not exist") from None
    except OSError as error:
        raise LabelError(f"{path} {error.strerror or error}") from None
    except ValueError as error:
        raise LabelError(f"{path} is not JSON: {error}") from None


def labels_of_image(data: Json, image: Json) -> Json:
    """The labels of one picture, in the same order."""
    return {
        "info": data.get("info", {}),
        "images": [dict(image)],
        "annotations": [a for a in data.get("annotations", ()) if a["image_id"] == image["id"]],
        "categories": data["categories"],
    }


def _find_by_name(name: str, pictures: Sequence[ScanPicture]) -> ScanPicture | None:
    """The picture whose path ends with the name; labels may name folders too."""
    wanted = PurePosixPath(name.replace("\\", "/")).name
    return next((p for p in pictures if wanted and p.path.name == wanted), None)


def _find_by_stem(stem: str, pictures: Sequence[ScanPicture]) -> ScanPicture | None:
    return next((p for p in pictures if p.path.stem == stem), None)


def _scroll_name(image: Json) -> str | None:
    own = image.get("crownlet")
    meta = own.get("meta") if isinstance(own, dict) else None
    scroll = meta.get("scroll") if isinstance(meta, dict) else None
    return str(scroll) if scroll is not None else None


def _labels_defects(data: Json) -> bool:
    own = [a.get("attributes") or {} for a in data.get("annotations", ())]
    return any(o["known"] if o.get("known") is not None else "defects" in o for o in own)

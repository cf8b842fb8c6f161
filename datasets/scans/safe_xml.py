"""XML from strangers: refused where it declares anything of its own, before it is built.

Entities can grow to gigabytes or name files of this machine; both need a DOCTYPE ("XML
vulnerabilities" of Python's library reference), which PAGE and ALTO never have.
"""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree
from xml.parsers import expat

from crownlet.datasets.coco_read import LabelError

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

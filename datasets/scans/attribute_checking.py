"""What may stand under `attributes` of a letter, and what of it cannot be so.

Our attributes, all optional: `expected` (letter or null), `line`, `word`, `place` (from 0, -1
unknown), `tags` (-1 unknown), `body` (centre x, y of the ruled line, height in px, degrees),
`defects` ({name: {size, plainness, parts}}), `known` (faults looked for), `letter_known`, `whole`,
`legible`, `other` and `share`, `oddity`, `parts`. Others are left alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from crownlet.datasets.alphabet import BY_CHAR
from crownlet.datasets.catalogue import CATALOGUE


def attribute_faults(annotation: dict[str, Any], letter: str | None) -> Iterator[str]:
    """One sentence for each attribute that cannot be so; `letter` None where it is unknown."""
    own = annotation.get("attributes")
    if own is None:
        return
    if not isinstance(own, dict):
        yield "its attributes are no mapping"
        return
    for name in ("expected", "other"):
        if own.get(name) is not None and own[name] not in BY_CHAR:
            yield f"{name} is {own[name]!r}, which is no letter"
    for name in ("line", "word", "place", "tags"):
        if name in own and not (_whole_number(own[name]) and own[name] >= -1):
            yield f"{name} is {own[name]!r}, which is no number from -1"
    if not _between(own.get("share", 0.0), 0.0, 0.5):
        yield f"share is {own['share']!r}, not within 0 and 0.5"
    yield from _body_faults(own.get("body"))
    yield from _defect_faults(own.get("defects", {}), letter)
    yield from _known_faults(own, letter)
    yield from _part_faults(own.get("parts"), annotation.get("segmentation"))


def _body_faults(body: Any) -> Iterator[str]:
    if body is None:
        return
    if not (isinstance(body, list) and len(body) == 4 and all(_between(v) for v in body)):
        yield f"body is {str(body)[:60]}, not four numbers"
    elif body[2] <= 0:
        yield f"its body is {body[2]} px high"


def _defect_faults(defects: Any, letter: str | None) -> Iterator[str]:
    if not isinstance(defects, dict):
        yield "its defects are no mapping"
        return
    for name, mark in defects.items():
        yield from _name_faults(name, letter, "has")
        if not isinstance(mark, dict):
            yield f"{name} is given as {str(mark)[:40]!r}, not with size and plainness"
        elif not _between(mark.get("plainness", 1.0), 0.0, 1.0):
            yield f"plainness of {name} is {mark['plainness']!r}, not within 0 and 1"
        elif not _between(mark.get("size", 0.0)):
            yield f"size of {name} is {mark['size']!r}, no number"


def _known_faults(own: dict[str, Any], letter: str | None) -> Iterator[str]:
    known = own.get("known")
    if known is None:
        return
    if not (isinstance(known, list) and all(isinstance(name, str) for name in known)):
        yield "known is no list of names"
        return
    for name in known:
        yield from _name_faults(name, letter, "was looked at for")
    defects = own.get("defects")
    for name in defects if isinstance(defects, dict) else ():
        if name not in known:
            yield f"has {name}, which by `known` was not looked for"


def _name_faults(name: Any, letter: str | None, does: str) -> Iterator[str]:
    defect = CATALOGUE.get(name)
    if defect is None:
        yield f"{does} the unknown defect {name!r}"
    elif defect.scope not in ("glyph", "text"):
        yield f"{does} {name}, which is no defect of a letter"
    elif letter is not None and not defect.applies_to(letter):
        yield f"{does} {name}, which {BY_CHAR[letter].name} cannot have"


def _part_faults(parts: Any, polygons: Any) -> Iterator[str]:
    if not parts:
        return
    named = isinstance(parts, list) and all(
        isinstance(p, dict) and "name" in p and "kind" in p for p in parts
    )
    drawn = isinstance(polygons, list) and all(_polygon(p) for p in polygons)
    if not (named and drawn):
        yield "its parts are not named, or not drawn as polygons"
    elif len(parts) != len(polygons):
        yield f"names {len(parts)} parts, has {len(polygons)} polygons"


def _polygon(points: Any) -> bool:
    if not isinstance(points, list) or len(points) < 6 or len(points) % 2:
        return False
    return all(_between(v) for v in points)


def _whole_number(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _between(value: Any, low: float = -1e9, high: float = 1e9) -> bool:
    plain = isinstance(value, int | float) and not isinstance(value, bool)
    return plain and low <= value <= high

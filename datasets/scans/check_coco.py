"""Every wrong record of a COCO file, where `load_coco` stops at the first.

Attributes of a letter, all optional: `expected` (letter or null), `line`, `word`, `place` (from 0,
-1 unknown), `tags` (-1 unknown), `body` (centre x, y of the ruled line, height in px, degrees),
`defects` ({name: {size, plainness, parts}}), `known` (faults looked for), `letter_known`, `whole`,
`legible`, `other` and `share`, `oddity`, `parts`. Others are not checked.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from crownlet.datasets.coco.read import BOX_SLACK_PX, present_defects
from crownlet.datasets.scans.complaint import Complaint
from crownlet.datasets.scribal.alphabet import BY_CHAR, BY_SLUG
from crownlet.datasets.scribal.catalogue import CATALOGUE

Size = tuple[int, int]

Sizes = Mapping[str, Size | None]
"""(width, height) px of the pictures by the name the labels give them; None if unreadable."""

BLANK_KEY = "blank"
"""Key under `crownlet.meta` of an image that rightly holds no letter."""


def attribute_faults(annotation: dict[str, Any], letter: str | None) -> Iterator[str]:
    """One sentence for each attribute that cannot be so; `letter` None where it is unknown."""
    own = annotation.get("attributes")
    if own is None:
        return
    if not isinstance(own, dict):
        yield "its attributes are no mapping"
        return
    own = present_defects(own)
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


def coco_complaints(data: Any, file: str, sizes: Sizes) -> list[Complaint]:
    """What is wrong in the labels `data` of `file`; `sizes` as the pictures themselves have it."""
    if not isinstance(data, dict) or not isinstance(data.get("images"), list):
        return [Complaint(file, "", "holds no COCO labels: there is no list of images")]
    return [Complaint(file, record, why) for record, why in _faults(data, sizes)]


def category_letter(category: Any) -> str | None:
    """The letter a category stands for, by its slug or the Hebrew character; None if it is none."""
    name = str(category.get("name")) if isinstance(category, dict) else ""
    if name in BY_SLUG:
        return BY_SLUG[name].char
    return name if name in BY_CHAR else None


def _faults(data: dict[str, Any], sizes: Sizes) -> Iterator[tuple[str, str]]:
    letters: dict[Any, str | None] = {}
    yield from _duplicate_ids(data.get("categories"), "category")
    for category in _records(data, "categories"):
        letters[_key(category)] = letter = category_letter(category)
        if letter is None:
            yield _record_name("category", category), f"{category.get('name')!r} is no letter"
    yield from _duplicate_ids(data["images"], "image")
    images = {_key(image): image for image in _records(data, "images")}
    for image in images.values():
        yield from _image_faults(image, sizes)
    yield from _duplicate_ids(data.get("annotations"), "annotation")
    filled = set()
    yield from _duplicate_boxes(_records(data, "annotations"))
    for annotation in _records(data, "annotations"):
        record = _record_name("annotation", annotation)
        belongs = _reference(annotation, "image_id")
        filled.add(belongs)
        for why in _annotation_faults(annotation, images.get(belongs), letters, sizes):
            yield record, why
    for key, image in images.items():
        if key not in filled and not _meta(image).get(BLANK_KEY):
            yield (
                _record_name("image", image),
                "no letter is labelled on it (if there is none, say so: "
                f"crownlet.meta.{BLANK_KEY})",
            )


def _image_faults(image: dict[str, Any], sizes: Sizes) -> Iterator[tuple[str, str]]:
    record, name = _record_name("image", image), str(image.get("file_name"))
    size = sizes.get(name)
    if name not in sizes:
        yield record, f"its picture {name} is not there"
    elif size is None:
        yield record, f"its picture {name} cannot be read"
    elif (image.get("width"), image.get("height")) != size:
        yield (
            record,
            f"is said to be {image.get('width')} x {image.get('height')} px, {name} is "
            f"{size[0]} x {size[1]}",
        )


def _annotation_faults(
    annotation: dict[str, Any],
    image: dict[str, Any] | None,
    letters: Mapping[Any, str | None],
    sizes: Sizes,
) -> Iterator[str]:
    category = _reference(annotation, "category_id")
    if image is None:
        yield f"belongs to no image ({annotation.get('image_id')!r})"
    if category not in letters:
        yield f"has the unknown category {category!r}"
    elif letters[category] is None:
        yield f"its category {category!r} is no letter"
    size = sizes.get(str(image.get("file_name"))) if image is not None else None
    yield from _box_faults(annotation.get("bbox"), size)
    yield from attribute_faults(annotation, letters.get(category))


def _box_faults(box: Any, size: Size | None) -> Iterator[str]:
    if not (isinstance(box, list) and len(box) == 4 and all(_number(v) for v in box)):
        yield f"has no bbox of four numbers: {str(box)[:60]}"
        return
    x, y, wide, high = box
    if not (wide > 0 and high > 0):
        yield f"has an empty box: {box}"
    elif size and (
        min(x, y) < -BOX_SLACK_PX
        or x + wide > size[0] + BOX_SLACK_PX
        or y + high > size[1] + BOX_SLACK_PX
    ):
        yield f"its box {box} lies outside the picture of {size[0]} x {size[1]} px"


def _number(value: Any) -> bool:
    plain = isinstance(value, int | float) and not isinstance(value, bool)
    return plain and abs(value) < 1e9  # false for nan too


def _duplicate_ids(records: Any, kind: str) -> Iterator[tuple[str, str]]:
    seen = set()
    for record in records if isinstance(records, list) else ():
        key = _key(record)
        if key is None:
            yield kind, f"has no id: {str(record)[:60]}"
        elif key in seen:
            yield f"{kind} {key}", "its id is given twice"
        seen.add(key)


def _duplicate_boxes(annotations: list[dict[str, Any]]) -> Iterator[tuple[str, str]]:
    """Letters given twice: two annotations of one picture with one and the same box."""
    seen: dict[str, str] = {}
    for annotation in annotations:
        record = _record_name("annotation", annotation)
        place = f"{annotation.get('image_id')} {annotation.get('bbox')}"
        first = seen.setdefault(place, record)
        if first != record:
            yield record, f"has the box of {first}: a letter is given twice"


def _records(data: dict[str, Any], name: str) -> list[dict[str, Any]]:
    found = data.get(name)
    return [r for r in found if isinstance(r, dict)] if isinstance(found, list) else []


def _key(record: Any) -> Any:
    """The id of a record; None where it has none that can be one."""
    key = record.get("id") if isinstance(record, dict) else None
    return key if isinstance(key, int | str) else None


def _reference(record: dict[str, Any], name: str) -> Any:
    """An id that a record names; None where it can be none."""
    key = record.get(name)
    return key if isinstance(key, int | str) else None


def _record_name(kind: str, record: dict[str, Any]) -> str:
    return f"{kind} {record.get('id')}"


def _meta(image: dict[str, Any]) -> dict[str, Any]:
    own = image.get("crownlet")
    meta = own.get("meta") if isinstance(own, dict) else None
    return meta if isinstance(meta, dict) else {}

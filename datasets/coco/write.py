"""Pages as COCO detection labels, the form in which renders and labelled scans are kept.

Boxes and categories are standard COCO. `segmentation` holds one polygon a part, `attributes.parts`
their names in the same order; what COCO has no place for stands under `attributes` of a letter and
under `crownlet` of an image. `crownlet.datasets.coco.read` reads it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import cv2
import numpy as np

from crownlet.datasets.coco.truth import DefectMark, GapTruth, LetterTruth, PageTruth, PartShape
from crownlet.datasets.scribal.alphabet import ALPHABET, index_of

Json = dict[str, Any]

COORDINATE_DECIMALS = 3
"""Decimals kept: a thousandth of a px."""

CATEGORIES: tuple[Json, ...] = tuple(
    {"id": letter.index + 1, "name": letter.slug, "supercategory": "letter", "letter": letter.char}
    for letter in ALPHABET
)
"""The 27 letters; category ids are class numbers plus one."""

_AREA_OVERSAMPLING = 4


def to_coco(pages: Iterable[PageTruth], file_names: Sequence[str] | None = None) -> Json:
    """COCO labels of `pages`; without names their images are called 000000.png, 000001.png, ..."""
    records = []
    for i, page in enumerate(pages):
        records.append(record(page, file_names[i] if file_names else f"{i:06d}.png"))
    return collect(records)


def record(page: PageTruth, file_name: str) -> tuple[Json, list[Json]]:
    """The image record of one page and its annotations, as yet without ids."""
    height, width = page.image.shape[:2]
    image: Json = {
        "file_name": file_name,
        "width": width,
        "height": height,
        "crownlet": {
            "gaps": [_gap(gap) for gap in page.gaps],
            "missing": [list(missing) for missing in page.missing],
            "meta": page.meta,
        },
    }
    return image, [_annotation(letter) for letter in page.letters]


def collect(records: Iterable[tuple[Json, list[Json]]]) -> Json:
    """Whole COCO labels from the records of pages; ids count from 1."""
    images: list[Json] = []
    annotations: list[Json] = []
    for image, letters in records:
        images.append({"id": len(images) + 1, **image})
        for letter in letters:
            annotations.append({"id": len(annotations) + 1, "image_id": images[-1]["id"], **letter})
    return {
        "info": {"description": "Crownlet labels", "version": "1"},
        "images": images,
        "annotations": annotations,
        "categories": list(CATEGORIES),
    }


def _annotation(letter: LetterTruth) -> Json:
    x0, y0, x1, y1 = (round(v, COORDINATE_DECIMALS) for v in letter.box)
    return {
        "category_id": index_of(letter.letter) + 1,
        "bbox": [x0, y0, round(x1 - x0, COORDINATE_DECIMALS), round(y1 - y0, COORDINATE_DECIMALS)],
        "area": _area(letter.parts) or round((x1 - x0) * (y1 - y0), COORDINATE_DECIMALS),
        "iscrowd": 0,
        "segmentation": [_polygon(part) for part in letter.parts],
        "attributes": {
            "expected": letter.expected,
            "line": letter.line,
            "word": letter.word,
            "place": letter.place,
            "tags": letter.tags,
            "body": [round(v, COORDINATE_DECIMALS) for v in letter.body],
            "q": round(letter.q, COORDINATE_DECIMALS),
            "defects": _marks(letter.defects),
            "whole": letter.whole,
            "legible": letter.legible,
            **({} if letter.known is None else {"known": list(letter.known)}),
            "other": letter.other,
            "share": round(letter.share, 4),
            "oddity": letter.oddity,
            "parts": [{"name": part.name, "kind": part.kind} for part in letter.parts],
        },
    }


def _polygon(part: PartShape) -> list[float]:
    return [round(float(v), COORDINATE_DECIMALS) for v in part.polygon.ravel()]


def _area(parts: Sequence[PartShape]) -> float:
    """Area of the union of the parts in px, to about a sixteenth of a px."""
    if not parts:
        return 0.0
    corner = np.floor(np.concatenate([part.polygon for part in parts]).min(axis=0))
    shapes = [(part.polygon - corner) * _AREA_OVERSAMPLING for part in parts]
    width, height = np.concatenate(shapes).max(axis=0).astype(int) + 2
    mask = np.zeros((height, width), np.uint8)
    for shape in shapes:
        cv2.fillPoly(mask, [np.rint((shape - 0.5) * 16).astype(np.int32)], 1, shift=4)
    return float(mask.sum()) / _AREA_OVERSAMPLING**2


def _marks(defects: Iterable[DefectMark]) -> Json:
    return {
        mark.name: {
            "size": round(mark.size, 4),
            "plainness": round(mark.plainness, 4),
            "parts": list(mark.parts),
        }
        for mark in defects
    }


def _gap(gap: GapTruth) -> Json:
    return {
        "right": gap.right,
        "left": gap.left,
        "expected": gap.expected,
        "width_q": round(gap.width_q, 4),
        "defects": _marks(gap.defects),
    }

"""One COCO annotation read back into a letter, one gap record into a white between letters."""

from __future__ import annotations

from typing import Any

import numpy as np

from crownlet.datasets.alphabet import BY_CHAR
from crownlet.datasets.letterforms.glyph import DefectMark
from crownlet.datasets.page.truth import Box, GapTruth, LetterTruth, PartShape

Json = dict[str, Any]

SLACK = 0.5
"""px by which a box may pass the frame (rounding in label tools); it is cut to the frame."""
UNKNOWN = -1
"""Number of tags, line, word or place where the labels do not give it."""


class LabelError(ValueError):
    """Labels that cannot be used; the message names the file and the record."""


def attributes(annotation: Json) -> Json:
    """What COCO has no place for, under the annotation's `attributes`; all of it optional."""
    own: Json = annotation.get("attributes") or {}
    return own


def box_of(annotation: Json, size: tuple[int, int], where: str) -> Box:
    """The box (x0, y0, x1, y1), px, within the image of `size` (width, height)."""
    try:
        x, y, width, height = (float(v) for v in annotation["bbox"])
    except (KeyError, TypeError, ValueError):
        raise LabelError(f"{where} has no bbox of four numbers") from None
    x1, y1 = x + width, y + height
    if not (width > 0 and height > 0):
        raise LabelError(f"{where} has an empty box: {annotation['bbox']}")
    if min(x, y) < -SLACK or x1 > size[0] + SLACK or y1 > size[1] + SLACK:
        raise LabelError(
            f"{where}: its box {annotation['bbox']} passes the image of {size[0]} x {size[1]} px"
        )
    return max(0.0, x), max(0.0, y), min(x1, float(size[0])), min(y1, float(size[1]))


def letter_of(annotation: Json, char: str, box: Box, body: tuple[float, ...]) -> LetterTruth:
    """One letter; `body` is its ruled line, height and rotation (`LetterTruth.body`)."""
    own = attributes(annotation)
    return LetterTruth(
        char,
        own.get("expected", char),
        int(own.get("line", UNKNOWN)),
        int(own.get("word", UNKNOWN)),
        int(own.get("place", UNKNOWN)),
        box,
        (body[0], body[1], body[2], body[3]),
        int(own.get("tags", UNKNOWN)),
        _marks(own.get("defects", {})),
        _parts(annotation),
        **_extent(own),
        oddity=own.get("oddity"),
        **_doubt(own, f"annotation {annotation['id']}"),
    )


def _extent(own: Json) -> Json:
    """How much of a letter is labelled, and which faults were looked for.

    `letter_known` false: a letter stands here and nothing is known of it, so it is kept out of
    training like one that the frame cuts. `known` names the faults that were looked for; where
    there is neither that nor a list of faults, as in the labels of general tools, none was.
    """
    sure = bool(own.get("letter_known", True))
    return {
        "whole": sure and bool(own.get("whole", True)),
        "legible": sure and bool(own.get("legible", False)),
        "known": _known(own),
    }


def _known(own: Json) -> tuple[str, ...] | None:
    if own.get("known") is None:
        return None if "defects" in own else ()
    return tuple(str(name) for name in own["known"])


def _doubt(own: Json, where: str) -> Json:
    """The letter this one may be taken for, and the chance of it."""
    other, share = own.get("other"), float(own.get("share", 0.0))
    if other is not None and other not in BY_CHAR:
        raise LabelError(f"{where} may be taken for {other!r}, which is no letter")
    if not 0.0 <= share <= 0.5:
        raise LabelError(f"{where} has the share {share}, not within 0 and 0.5")
    return {"other": other, "share": share}


def _parts(annotation: Json) -> tuple[PartShape, ...]:
    named = attributes(annotation).get("parts", [])
    polygons = annotation.get("segmentation", [])
    if not named or not isinstance(polygons, list):
        return ()
    if len(named) != len(polygons):
        raise LabelError(
            f"annotation {annotation['id']} names {len(named)} parts, has {len(polygons)} polygons"
        )
    return tuple(
        PartShape(part["name"], part["kind"], np.array(flat, np.float32).reshape(-1, 2))
        for part, flat in zip(named, polygons, strict=True)
    )


def _marks(defects: Json) -> tuple[DefectMark, ...]:
    return tuple(
        DefectMark(
            name,
            float(mark.get("size", 0.0)),
            float(mark.get("plainness", 1.0)),
            tuple(mark.get("parts", ())),
        )
        for name, mark in defects.items()
    )


def gap_of(gap: Json) -> GapTruth:
    """One white between neighbours, of an image's `crownlet.gaps`."""
    return GapTruth(
        int(gap["right"]), int(gap["left"]), gap.get("expected"), float(gap["width_q"]),
        _marks(gap.get("defects", {})),
    )  # fmt: skip

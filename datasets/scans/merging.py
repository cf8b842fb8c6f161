"""New labels of a scan laid over those it had: what nobody looked at again stays as it was."""

from __future__ import annotations

from typing import Any

Json = dict[str, Any]
SAME = 0.5
"""Share of their union in which two boxes of one letter agree."""


def merged(old: Json, new: Json) -> Json:
    """The new labels; letters of which they say nothing keep what the old ones say.

    A review lists all letters of a page, and of most says nothing.
    """
    letters = {c["id"]: c["name"] for c in old["categories"]}
    ids = {c["name"]: c["id"] for c in new["categories"]}
    left = [a for a in old["annotations"] if _known(a)]
    rows = []
    for annotation in new["annotations"]:
        if not _known(annotation):
            best = max(left, key=lambda a: overlap(a["bbox"], annotation["bbox"]), default=None)
            if best is not None and overlap(best["bbox"], annotation["bbox"]) >= SAME:
                same = ids.get(letters[best["category_id"]])
                if same is not None:
                    annotation = best | {"id": annotation["id"], "category_id": same}
                    annotation["image_id"] = new["images"][0]["id"]
        rows.append(annotation)
    return new | {"annotations": rows}


def _known(annotation: Json) -> bool:
    return bool((annotation.get("attributes") or {}).get("letter_known", True))


def overlap(a: list[float], b: list[float]) -> float:
    """Intersection over union of two COCO boxes (x, y, width, height)."""
    wide = min(a[0] + a[2], b[0] + b[2]) - max(a[0], b[0])
    high = min(a[1] + a[3], b[1] + b[3]) - max(a[1], b[1])
    if wide <= 0 or high <= 0:
        return 0.0
    return wide * high / (a[2] * a[3] + b[2] * b[3] - wide * high)

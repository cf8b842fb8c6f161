"""New labels of a scan laid over those it had: what nobody looked at again stays as it was."""

from __future__ import annotations

from typing import Any

Json = dict[str, Any]
SAME = 0.5
"""Share of their union in which two boxes of one letter agree."""


def merged(old: Json, new: Json) -> Json:
    """The new labels, with what the old ones know beyond them.

    A review lists all letters of a page, says nothing of most, and of the others only which faults
    were asked about (`known`). Labels without `known` take the place of the old ones.
    """
    letters = {c["id"]: c["name"] for c in old["categories"]}
    ids = {c["name"]: c["id"] for c in new["categories"]}
    left = [a for a in old["annotations"] if _sure(a) and letters[a["category_id"]] in ids]
    rows = []
    for annotation in new["annotations"]:
        best = max(left, key=lambda a: overlap(a["bbox"], annotation["bbox"]), default=None)
        if best is None or overlap(best["bbox"], annotation["bbox"]) < SAME:
            rows.append(annotation)
            continue
        kept = best | {"category_id": ids[letters[best["category_id"]]]}
        kept |= {"id": annotation["id"], "image_id": annotation["image_id"]}
        if not _sure(annotation):
            rows.append(kept)
        elif kept["category_id"] == annotation["category_id"] and "known" in _own(annotation):
            rows.append(_joined(kept, annotation))
        else:
            rows.append(annotation)
    return new | {"annotations": rows}


def _joined(old: Json, new: Json) -> Json:
    """One letter, of which both know something; where they differ the new one counts."""
    was, now = _own(old), _own(new)
    asked = now["known"]
    defects = {k: v for k, v in (was.get("defects") or {}).items() if k not in asked}
    own = now | was | {"defects": defects | (now.get("defects") or {}), "letter_known": True}
    if was.get("known") is not None:
        own["known"] = list(dict.fromkeys([*was["known"], *asked]))
    elif "defects" in was:
        own.pop("known")  # somebody had looked for all of them
    own["decisions"] = [*was.get("decisions", ()), *now.get("decisions", ())]
    return old | {"attributes": own}


def _own(annotation: Json) -> Json:
    return annotation.get("attributes") or {}


def _sure(annotation: Json) -> bool:
    return bool(_own(annotation).get("letter_known", True))


def overlap(a: list[float], b: list[float]) -> float:
    """Intersection over union of two COCO boxes (x, y, width, height)."""
    wide = min(a[0] + a[2], b[0] + b[2]) - max(a[0], b[0])
    high = min(a[1] + a[3], b[1] + b[3]) - max(a[1], b[1])
    if wide <= 0 or high <= 0:
        return 0.0
    return wide * high / (a[2] * a[3] + b[2] * b[3] - wide * high)

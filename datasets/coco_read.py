"""COCO labels read back into pages, each mistake named by the record that has it."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path
from typing import Any, overload

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.alphabet import BY_CHAR, BY_SLUG
from crownlet.datasets.bodies import estimate_bodies
from crownlet.datasets.coco_letters import (
    SLACK,
    UNKNOWN,
    Json,
    LabelError,
    attributes,
    box_of,
    gap_of,
    letter_of,
)
from crownlet.datasets.page.truth import Box, LetterTruth, PageTruth

__all__ = ["SLACK", "CocoPages", "LabelError", "load_coco", "read_image"]


class CocoPages(Sequence[PageTruth]):
    """The pages of one COCO file; each image is read when its page is asked for."""

    def __init__(self, images: list[Path], truths: list[PageTruth]) -> None:
        self.images = images
        self.truths = truths

    def __len__(self) -> int:
        return len(self.truths)

    @overload
    def __getitem__(self, i: int) -> PageTruth: ...
    @overload
    def __getitem__(self, i: slice) -> list[PageTruth]: ...
    def __getitem__(self, i: int | slice) -> PageTruth | list[PageTruth]:
        if isinstance(i, slice):
            return [self[k] for k in range(*i.indices(len(self)))]
        truth = self.truths[i]
        image = read_image(self.images[i])
        if image.shape[:2] != truth.image.shape[:2]:
            raise LabelError(
                f"{self.images[i]} is {image.shape[1]} x {image.shape[0]} px, its labels say "
                f"{truth.image.shape[1]} x {truth.image.shape[0]}"
            )
        return PageTruth(image, truth.letters, truth.gaps, truth.missing, truth.meta)


def load_coco(path: str | Path, images: str | Path | None = None) -> CocoPages:
    """Pages of a COCO file. Images lie in `images`, or beside the file, or in `images/` beside it.

    Raises LabelError, naming the record, for what cannot be used: unknown letters, doubled ids,
    boxes outside the image, missing files. A letter without `attributes.body` gets it estimated
    from its line; where tags or reading order are not given they are `UNKNOWN`.
    """
    path = Path(path)
    try:
        return _pages(path, Path(images) if images else None)
    except LabelError as error:
        # Names and ids of strangers may hold line breaks.
        text = "".join(c if c.isprintable() else "\ufffd" for c in str(error))
        raise LabelError(text if str(path) in text else f"{path}: {text}") from None
    except Exception as error:
        # Lists where mappings belong, words where numbers do: too many ways to name one by one.
        cause = " ".join(f"{type(error).__name__}: {error}".split())[:160]
        raise LabelError(f"{path} is not built as COCO labels are ({cause})") from None


def _pages(path: Path, images: Path | None) -> CocoPages:
    data = _read_json(path)
    letters = _categories(data, path)
    by_image: dict[Any, list[Json]] = defaultdict(list)
    known = _unique(data.get("images", []), "image", path)
    for annotation in _unique(data.get("annotations", []), "annotation", path).values():
        if annotation.get("image_id") not in known:
            raise LabelError(f"{path}: annotation {annotation['id']} belongs to no image")
        by_image[annotation["image_id"]].append(annotation)
    folders = [images] if images else [path.parent, path.parent / "images"]
    files = [_find(image, folders, path) for image in known.values()]
    truths = [_page(image, by_image[key], letters, path) for key, image in known.items()]
    return CocoPages(files, truths)


def read_image(path: Path) -> npt.NDArray[np.uint8]:
    """An image as (H, W) or (H, W, 3) RGB uint8. LabelError if it cannot be read."""
    image = cv2.imread(str(path), cv2.IMREAD_ANYCOLOR)
    if image is None:
        raise LabelError(f"{path} is not an image that can be read")
    if image.ndim == 3:
        image = cv2.cvtColor(image, cv2.COLOR_BGR2RGB)
    return np.asarray(image, np.uint8)


def _read_json(path: Path) -> Json:
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise LabelError(f"{path} does not exist") from None
    except RecursionError:
        raise LabelError(f"{path} is not JSON: it is nested too deep") from None
    except ValueError as error:
        raise LabelError(f"{path} is not JSON: {error}") from None
    if not isinstance(data, dict) or "images" not in data:
        raise LabelError(f"{path} holds no COCO labels: there is no list of images")
    return data


def _categories(data: Json, path: Path) -> dict[Any, str]:
    """Category id to letter; categories are named by slug or by the Hebrew letter."""
    letters: dict[Any, str] = {}
    for category in data.get("categories", []):
        name = str(category.get("name"))
        if name in BY_SLUG:
            letters[category.get("id")] = BY_SLUG[name].char
        elif name in BY_CHAR:
            letters[category.get("id")] = name
        else:
            raise LabelError(f"{path}: category {category.get('id')}, {name!r}, is no letter")
    return letters


def _unique(records: list[Json], kind: str, path: Path) -> dict[Any, Json]:
    found: dict[Any, Json] = {}
    for record in records:
        if "id" not in record:
            raise LabelError(f"{path}: a {kind} has no id: {str(record)[:80]}")
        if record["id"] in found:
            raise LabelError(f"{path}: two {kind}s have the id {record['id']}")
        found[record["id"]] = record
    return found


def _find(image: Json, folders: Sequence[Path], path: Path) -> Path:
    name = str(image.get("file_name"))
    for folder in folders:
        if (folder / name).is_file():
            return folder / name
    raise LabelError(f"{path}: image {image['id']}, {name}, is not in {folders[-1]}")


def _page(image: Json, annotations: list[Json], letters: dict[Any, str], path: Path) -> PageTruth:
    where = f"{path}: image {image['id']}"
    try:
        size = (int(image["width"]), int(image["height"]))
        own = image.get("crownlet", {})
        blank = np.broadcast_to(np.uint8(0), (size[1], size[0]))
        return PageTruth(
            blank,
            tuple(_letters(annotations, letters, size, path)),
            tuple(gap_of(gap) for gap in own.get("gaps", [])),
            tuple((int(i), str(char)) for i, char in own.get("missing", [])),
            dict(own.get("meta", {})),
        )
    except (KeyError, TypeError) as error:
        raise LabelError(f"{where} is incomplete: {error!r}") from None


def _letters(
    annotations: list[Json], letters: dict[Any, str], size: tuple[int, int], path: Path
) -> list[LetterTruth]:
    chars: list[str] = []
    boxes: list[Box] = []
    for annotation in annotations:
        where = f"{path}: annotation {annotation['id']}"
        if annotation.get("category_id") not in letters:
            raise LabelError(f"{where} has the unknown category {annotation.get('category_id')}")
        chars.append(letters[annotation["category_id"]])
        boxes.append(box_of(annotation, size, where))
    lines = [attributes(a).get("line", UNKNOWN) for a in annotations]
    known = [attributes(a).get("body") for a in annotations]
    bodies = estimate_bodies(chars, boxes, lines) if None in known else known
    return [
        letter_of(a, char, box, tuple(float(v) for v in (own if own is not None else body or ())))
        for a, char, box, own, body in zip(annotations, chars, boxes, known, bodies, strict=True)
    ]

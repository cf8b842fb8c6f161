"""COCO labels read back into pages, each mistake named by the record that has it.

Standard COCO gives category and box; everything else is optional (`attributes` of an annotation,
`crownlet` of an image). Where labels give boxes and letters only, `estimate_bodies` estimates the
body cells from the letters of each line.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path
from typing import Any, overload

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.coco.truth import (
    Box,
    DefectMark,
    GapTruth,
    LetterTruth,
    PageTruth,
    PartShape,
)
from crownlet.datasets.files.documents import parse_json, read_small_file
from crownlet.datasets.files.errors import CrownletError
from crownlet.datasets.scribal.alphabet import BY_CHAR, BY_SLUG
from crownlet.datasets.scribal.catalogue import present_name

Json = dict[str, Any]

MAX_LABELS_BYTES = 1_000_000_000
"""Size above which a file is not read; a letter takes a kilobyte."""

BOX_SLACK_PX = 0.5
"""px by which a box may pass the frame (rounding in label tools); it is cut to the frame."""

UNKNOWN_NUMBER = -1
"""Number of tags, line, word or place where the labels do not give it."""


RULED_TOP_LETTERS = frozenset("אוכמםספרת")
"""Letters that take no tags: their top is the ruled line."""

BASE_LINE_LETTERS = frozenset("אבגדהוזחטכלמםנסעפצרשת")
"""Letters that end at the base line: not yud, kuf and the long finals."""

Body = tuple[float, float, float, float]

Floats = npt.NDArray[np.float64]


class LabelError(CrownletError, ValueError):
    """Labels that cannot be used; the message names the file and the record."""


def annotation_attributes(annotation: Json) -> Json:
    """What COCO has no place for, under the annotation's `attributes`; all of it optional."""
    own: Json = annotation.get("attributes") or {}
    return own


def present_defects(own: Json) -> Json:
    """The attributes of a letter with its defects under their names of today."""
    out = dict(own)
    if isinstance(defects := own.get("defects"), dict):
        out["defects"] = {present_name(name): mark for name, mark in defects.items()}
    if isinstance(known := own.get("known"), list):
        out["known"] = [present_name(name) if isinstance(name, str) else name for name in known]
    return out


def read_box(annotation: Json, size: tuple[int, int], where: str) -> Box:
    """The box (x0, y0, x1, y1), px, within the image of `size` (width, height)."""
    try:
        x, y, width, height = (float(v) for v in annotation["bbox"])
    except (KeyError, TypeError, ValueError):
        raise LabelError(f"{where} has no bbox of four numbers") from None
    x1, y1 = x + width, y + height
    if not (width > 0 and height > 0):
        raise LabelError(f"{where} has an empty box: {annotation['bbox']}")
    if min(x, y) < -BOX_SLACK_PX or x1 > size[0] + BOX_SLACK_PX or y1 > size[1] + BOX_SLACK_PX:
        raise LabelError(
            f"{where}: its box {annotation['bbox']} passes the image of {size[0]} x {size[1]} px"
        )
    return max(0.0, x), max(0.0, y), min(x1, float(size[0])), min(y1, float(size[1]))


def read_letter(annotation: Json, char: str, box: Box, body: tuple[float, ...]) -> LetterTruth:
    """One letter; `body` is its ruled line, height and rotation (`LetterTruth.body`)."""
    own = present_defects(annotation_attributes(annotation))
    return LetterTruth(
        char,
        own.get("expected", char),
        int(own.get("line", UNKNOWN_NUMBER)),
        int(own.get("word", UNKNOWN_NUMBER)),
        int(own.get("place", UNKNOWN_NUMBER)),
        box,
        (body[0], body[1], body[2], body[3]),
        int(own.get("tags", UNKNOWN_NUMBER)),
        _read_marks(own.get("defects", {})),
        _read_parts(annotation),
        **_read_extent(own),
        oddity=own.get("oddity"),
        **_read_doubt(own, f"annotation {annotation['id']}"),
    )


def _read_extent(own: Json) -> Json:
    """How much of a letter is labelled, and which faults were looked for.

    `letter_known` false: a letter stands here and nothing is known of it, so it is kept out of
    training like one that the frame cuts. `known` names the faults that were looked for; where
    there is neither that nor a list of faults, as in the labels of general tools, none was.
    """
    sure = bool(own.get("letter_known", True))
    return {
        "whole": sure and bool(own.get("whole", True)),
        "legible": sure and bool(own.get("legible", False)),
        "known": _read_known(own),
    }


def _read_known(own: Json) -> tuple[str, ...] | None:
    if own.get("known") is None:
        return None if "defects" in own else ()
    return tuple(str(name) for name in own["known"])


def _read_doubt(own: Json, where: str) -> Json:
    """The letter this one may be taken for, and the chance of it."""
    other, share = own.get("other"), float(own.get("share", 0.0))
    if other is not None and other not in BY_CHAR:
        raise LabelError(f"{where} may be taken for {other!r}, which is no letter")
    if not 0.0 <= share <= 0.5:
        raise LabelError(f"{where} has the share {share}, not within 0 and 0.5")
    return {"other": other, "share": share}


def _read_parts(annotation: Json) -> tuple[PartShape, ...]:
    named = annotation_attributes(annotation).get("parts", [])
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


def _read_marks(defects: Json) -> tuple[DefectMark, ...]:
    return tuple(
        DefectMark(
            name,
            float(mark.get("size", 0.0)),
            float(mark.get("plainness", 1.0)),
            tuple(mark.get("parts", ())),
        )
        for name, mark in defects.items()
    )


def read_gap(gap: Json) -> GapTruth:
    """One gap between neighbours, of an image's `crownlet.gaps`."""
    return GapTruth(
        int(gap["right"]), int(gap["left"]), gap.get("expected"), float(gap["width_q"]),
        _read_marks(gap.get("defects", {})),
    )  # fmt: skip


def estimate_bodies(
    letters: Sequence[str], boxes: Sequence[Box], lines: Sequence[int]
) -> list[Body]:
    """(centre x, y of the ruled line, body height, 0.0) in px for each letter.

    `lines` groups letters by written line; -1 for unknown, when lines are found from the boxes.
    For upright pages. A line without letters that show its height takes that of the page.
    """
    if not letters:
        return []
    grid = np.array(boxes, np.float64)
    numbers = np.array(lines)
    if (numbers < 0).any():
        numbers = group_lines(grid)
    typical = _typical_height(letters, grid)
    bodies: list[Body] = [(0.0, 0.0, 0.0, 0.0)] * len(letters)
    for number in np.unique(numbers):
        rows = np.flatnonzero(numbers == number)
        top, base = _line_edges([letters[i] for i in rows.tolist()], grid[rows], typical)
        for i, y0, y1 in zip(rows, top, base, strict=True):
            x = float(grid[i, 0] + grid[i, 2]) / 2
            bodies[i] = (x, float(y0), max(1.0, float(y1 - y0)), 0.0)
    return bodies


def group_lines(boxes: Floats) -> npt.NDArray[np.int64]:
    """Line numbers of boxes (N, 4), by their vertical middles; for lines that do not cross."""
    middle = (boxes[:, 1] + boxes[:, 3]) / 2
    order = np.argsort(middle)
    step = 0.6 * float(np.median(boxes[:, 3] - boxes[:, 1]))
    rises = np.diff(middle[order]) > step
    numbers = np.empty(len(boxes), np.int64)
    numbers[order] = np.concatenate([[0], np.cumsum(rises)])
    return numbers


def _typical_height(letters: Sequence[str], boxes: Floats) -> float:
    heights = boxes[:, 3] - boxes[:, 1]
    plain = [
        h
        for h, c in zip(heights, letters, strict=True)
        if c in RULED_TOP_LETTERS & BASE_LINE_LETTERS
    ]
    return float(np.median(plain if plain else heights))


def _line_edges(letters: list[str], boxes: Floats, typical: float) -> tuple[Floats, Floats]:
    """y of the ruled line and of the base line at each letter of one line."""
    x = (boxes[:, 0] + boxes[:, 2]) / 2
    hangs = np.array([c in RULED_TOP_LETTERS for c in letters])
    stands = np.array([c in BASE_LINE_LETTERS for c in letters])
    if hangs.any() and stands.any():
        return _fit_level_line(x, boxes[:, 1], hangs), _fit_level_line(x, boxes[:, 3], stands)
    if stands.any():
        base = _fit_level_line(x, boxes[:, 3], stands)
        return base - typical, base
    top = _fit_level_line(x, boxes[:, 1], hangs if hangs.any() else np.ones(len(letters), bool))
    return top, top + typical


def _fit_level_line(x: Floats, y: Floats, use: npt.NDArray[np.bool_]) -> Floats:
    """y of a line through the chosen y at every x; it slopes only where four letters or more do."""
    level = np.full(len(x), float(np.median(y[use])))
    if use.sum() < 4 or np.ptp(x[use]) <= 0:
        return level
    middle = float(np.median(x[use]))
    slopes = (y[use] - level[0]) / np.where(np.abs(x[use] - middle) < 1, np.nan, x[use] - middle)
    slope = float(np.nanmedian(slopes))
    return np.asarray(level + slope * (x - middle)) if np.isfinite(slope) else level


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
        return _read_pages(path, Path(images) if images else None)
    except LabelError as error:
        # Names and ids in labels of others may hold line breaks.
        text = "".join(c if c.isprintable() else "\ufffd" for c in str(error))
        raise LabelError(text if str(path) in text else f"{path}: {text}") from None
    except Exception as error:
        # Lists where mappings belong, words where numbers do: too many ways to name one by one.
        cause = " ".join(f"{type(error).__name__}: {error}".split())[:160]
        raise LabelError(f"{path} is not built as COCO labels are ({cause})") from None


def _read_pages(path: Path, images: Path | None) -> CocoPages:
    data = _read_json(path)
    letters = _read_categories(data, path)
    by_image: dict[Any, list[Json]] = defaultdict(list)
    known = _index_by_id(data.get("images", []), "image", path)
    for annotation in _index_by_id(data.get("annotations", []), "annotation", path).values():
        if annotation.get("image_id") not in known:
            raise LabelError(f"{path}: annotation {annotation['id']} belongs to no image")
        by_image[annotation["image_id"]].append(annotation)
    folders = [images] if images else [path.parent, path.parent / "images"]
    files = [_find_image(image, folders, path) for image in known.values()]
    truths = [_read_page(image, by_image[key], letters, path) for key, image in known.items()]
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
        data = parse_json(read_small_file(path, MAX_LABELS_BYTES))
    except FileNotFoundError:
        raise LabelError(f"{path} does not exist") from None
    except OSError as error:
        raise LabelError(f"{path} {error.strerror or error}") from None
    except ValueError as error:
        raise LabelError(f"{path} is not JSON: {error}") from None
    if not isinstance(data, dict) or "images" not in data:
        raise LabelError(f"{path} holds no COCO labels: there is no list of images")
    return data


def _read_categories(data: Json, path: Path) -> dict[Any, str]:
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


def _index_by_id(records: list[Json], kind: str, path: Path) -> dict[Any, Json]:
    found: dict[Any, Json] = {}
    for record in records:
        if "id" not in record:
            raise LabelError(f"{path}: a {kind} has no id: {str(record)[:80]}")
        if record["id"] in found:
            raise LabelError(f"{path}: two {kind}s have the id {record['id']}")
        found[record["id"]] = record
    return found


def _find_image(image: Json, folders: Sequence[Path], path: Path) -> Path:
    name = str(image.get("file_name"))
    for folder in folders:
        if (folder / name).is_file():
            return folder / name
    raise LabelError(f"{path}: image {image['id']}, {name}, is not in {folders[-1]}")


def _read_page(
    image: Json, annotations: list[Json], letters: dict[Any, str], path: Path
) -> PageTruth:
    where = f"{path}: image {image['id']}"
    try:
        size = (int(image["width"]), int(image["height"]))
        own = image.get("crownlet", {})
        blank = np.broadcast_to(np.uint8(0), (size[1], size[0]))
        return PageTruth(
            blank,
            tuple(_read_letters(annotations, letters, size, path)),
            tuple(read_gap(gap) for gap in own.get("gaps", [])),
            tuple((int(i), str(char)) for i, char in own.get("missing", [])),
            dict(own.get("meta", {})),
        )
    except (KeyError, TypeError, AttributeError) as error:
        raise LabelError(f"{where} is incomplete: {error!r}") from None


def _read_letters(
    annotations: list[Json], letters: dict[Any, str], size: tuple[int, int], path: Path
) -> list[LetterTruth]:
    chars: list[str] = []
    boxes: list[Box] = []
    for annotation in annotations:
        where = f"{path}: annotation {annotation['id']}"
        if annotation.get("category_id") not in letters:
            raise LabelError(f"{where} has the unknown category {annotation.get('category_id')}")
        chars.append(letters[annotation["category_id"]])
        boxes.append(read_box(annotation, size, where))
    lines = [annotation_attributes(a).get("line", UNKNOWN_NUMBER) for a in annotations]
    known = [annotation_attributes(a).get("body") for a in annotations]
    bodies = estimate_bodies(chars, boxes, lines) if None in known else known
    return [
        read_letter(a, char, box, tuple(float(v) for v in (own if own is not None else body or ())))
        for a, char, box, own, body in zip(annotations, chars, boxes, known, bodies, strict=True)
    ]

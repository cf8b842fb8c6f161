"""Pictures brought together with what is known of them: COCO, PAGE-XML, ALTO, or nothing."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from crownlet.datasets.coco_read import LabelError
from crownlet.datasets.scans.coco_checking import coco_complaints
from crownlet.datasets.scans.complaints import Complaint
from crownlet.datasets.scans.pictures import Picture, look, picture_files
from crownlet.datasets.scans.written_lines import read_written, written_complaints

Json = dict[str, Any]


@dataclass(frozen=True)
class Arrival:
    """A picture with its labels or its text, if there are any."""

    picture: Picture
    labels: Json | None = None
    """COCO labels of this picture alone."""
    text: str | None = None
    scroll: str | None = None
    """As the labels name it."""
    how: str = ""


Found = tuple[list[Arrival], list[Complaint]]


def arrivals(scans: Sequence[Path], labels: Sequence[Path]) -> Found:
    """The pictures with what is known of them, and what is wrong; LabelError for no labels."""
    pictures, wrong = _looked(picture_files(list(scans)))
    kinds = {path.suffix.lower() for path in labels}
    if not labels:
        return [Arrival(picture) for picture in pictures], wrong
    if kinds == {".json"} and len(labels) == 1:
        came, more = _of_coco(labels[0], pictures)
    elif kinds == {".xml"}:
        came, more = _of_lines(labels, pictures)
    else:
        raise LabelError("labels are one COCO file (.json), or PAGE-XML and ALTO files (.xml)")
    return came, wrong + more


def _looked(files: Iterable[Path]) -> tuple[list[Picture], list[Complaint]]:
    from crownlet.infer.errors import FileFault

    pictures, wrong = [], []
    for path in files:
        try:
            pictures.append(look(path))
        except FileFault as error:
            wrong.append(Complaint(str(path), "", error.reason.rstrip(".")))
    return pictures, wrong


def _of_coco(path: Path, pictures: Sequence[Picture]) -> Found:
    data = read_json(path)
    images = data.get("images") if isinstance(data, dict) else None
    names = [str(i.get("file_name")) for i in images or () if isinstance(i, dict)]
    found = {name: picture for name in names if (picture := _by_name(name, pictures))}
    wrong = coco_complaints(data, str(path), {n: p.size for n, p in found.items()})
    if wrong:
        return [], wrong
    return [
        Arrival(
            found[image["file_name"]], part(data, image), None, _scroll(image),
            "letters and defects, as given" if _tells_defects(data) else "letters only, as given",
        )
        for image in data["images"]
    ], []  # fmt: skip


def _of_lines(paths: Sequence[Path], pictures: Sequence[Picture]) -> Found:
    came, wrong = [], []
    for path in sorted(paths):
        try:
            page = read_written(path)
        except LabelError as error:
            wrong.append(Complaint(str(path), "", str(error).removeprefix(f"{path} ")))
            continue
        # Tools that make PAGE and ALTO name the file after the picture.
        picture = _by_name(page.picture, pictures) or _by_stem(path.stem, pictures)
        if picture is None:
            wrong.append(Complaint(str(path), "", f"its picture {page.picture} is not there"))
            continue
        wrong += written_complaints(page, str(path), picture.size)
        came.append(Arrival(picture, None, page.text))
    return came, wrong


def read_json(path: Path) -> Any:
    """The content of a JSON file; LabelError if it is none."""
    try:
        return json.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise LabelError(f"{path} does not exist") from None
    except (ValueError, RecursionError) as error:
        raise LabelError(f"{path} is not JSON: {error}") from None


def part(data: Json, image: Json) -> Json:
    """The labels of one picture, in the same order."""
    return {
        "info": data.get("info", {}),
        "images": [dict(image)],
        "annotations": [a for a in data.get("annotations", ()) if a["image_id"] == image["id"]],
        "categories": data["categories"],
    }


def _by_name(name: str, pictures: Sequence[Picture]) -> Picture | None:
    """The picture at the end of whose path the name stands; labels may name folders too."""
    wanted = PurePosixPath(name.replace("\\", "/")).name
    return next((p for p in pictures if wanted and p.path.name == wanted), None)


def _by_stem(stem: str, pictures: Sequence[Picture]) -> Picture | None:
    return next((p for p in pictures if p.path.stem == stem), None)


def _scroll(image: Json) -> str | None:
    scroll = (image.get("crownlet") or {}).get("meta", {}).get("scroll")
    return str(scroll) if scroll is not None else None


def _tells_defects(data: Json) -> bool:
    own = [a.get("attributes") or {} for a in data.get("annotations", ())]
    return any(o["known"] if o.get("known") is not None else "defects" in o for o in own)

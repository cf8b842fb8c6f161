"""Labels of strangers, COCO and XML: read, or refused in one sentence."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from strangers import JSON, MANY, sentence

from crownlet.datasets.coco.read import LabelError, load_coco
from crownlet.datasets.scans.imports import parse_xml


def labels(folder: Path, **changes: Any) -> Path:
    """A COCO file of one letter on one picture, with something else in places."""
    Image.new("L", (40, 40), 255).save(folder / "p.png")
    data = {
        "images": [{"id": 1, "file_name": "p.png", "width": 40, "height": 40}],
        "categories": [{"id": 1, "name": "alef"}],
        "annotations": [
            {"id": 1, "image_id": 1, "category_id": 1, "bbox": [5, 5, 20, 20], "attributes": {}}
        ],
    }
    for place, value in changes.items():
        *steps, last = place.split("_in_")[::-1]
        target: Any = data
        for step in steps:
            target = target[step][0] if isinstance(target[step], list) else target[step]
        target[last] = value
    path = folder / "labels.json"
    path.write_text(json.dumps(data))
    return path


PLACES = (
    "images", "categories", "annotations", "id_in_images", "file_name_in_images",
    "width_in_images", "crownlet_in_images", "name_in_categories", "id_in_categories",
    "image_id_in_annotations", "category_id_in_annotations", "bbox_in_annotations",
    "segmentation_in_annotations", "attributes_in_annotations", "body_in_attributes_in_annotations",
    "defects_in_attributes_in_annotations", "line_in_attributes_in_annotations",
    "parts_in_attributes_in_annotations", "tags_in_attributes_in_annotations",
    "share_in_attributes_in_annotations", "known_in_attributes_in_annotations",
)  # fmt: skip


@settings(MANY, max_examples=250)
@given(st.sampled_from(PLACES), JSON)
def test_labels(tmp_path: Path, place: str, value: Any) -> None:
    path = labels(tmp_path, **{place: value})
    try:
        load_coco(path)
    except LabelError as error:
        sentence(error, path)


@pytest.mark.parametrize(
    "content", [b"", b"[]", b"{", b"\xff\xfe", b"[" * 100_000, b'{"images":1e999}']
)
def test_labels_that_are_none(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "labels.json"
    path.write_bytes(content)
    with pytest.raises(LabelError) as caught:
        load_coco(path)
    sentence(caught.value, path)


ENTITIES = (
    # CVE-2003-1564, and examples of OWASP's page on XML external entities; from memory.
    '<!DOCTYPE a [<!ENTITY x "xxx"><!ENTITY y "&x;&x;">]><a>&y;</a>',
    '<!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/passwd">]><a>&x;</a>',
    '<!DOCTYPE a SYSTEM "http://127.0.0.1:9/a.dtd"><a/>',
    '<!DOCTYPE a [<!ENTITY % x SYSTEM "http://127.0.0.1:9/"> %x;]><a/>',
    "<a>&x;</a>",
    "<a>" * 100_000,
    "<a/><a/>",
    "",
)


@pytest.mark.parametrize("content", ENTITIES, ids=range(len(ENTITIES)))
def test_xml_brings_nothing_of_its_own(tmp_path: Path, content: str) -> None:
    path = tmp_path / "page.xml"
    path.write_text('<?xml version="1.0"?>' + content)
    with pytest.raises(LabelError) as caught:
        parse_xml(path)
    sentence(caught.value, path)
    assert "root:" not in str(caught.value)


@MANY
@given(st.binary(max_size=80) | st.text("<>/&;a![]x=\"' \n?-", max_size=60).map(str.encode))
def test_xml(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "page.xml"
    path.write_bytes(content)
    try:
        parse_xml(path)
    except LabelError as error:
        sentence(error, path)

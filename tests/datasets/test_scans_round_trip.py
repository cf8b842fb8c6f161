"""Labels written as COCO and read back: nothing is lost, whatever they are."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path

import cv2
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from crownlet.datasets.coco.read import load_coco
from crownlet.datasets.coco.truth import DefectMark, GapTruth, LetterTruth, PageTruth, PartShape
from crownlet.datasets.coco.write import to_coco
from crownlet.datasets.scans.check_coco import coco_complaints
from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.catalogue import CATALOGUE, GLYPH_DEFECTS

SIZE = 400


def milli(low: int, high: int) -> st.SearchStrategy[float]:
    """Numbers with three decimals, the precision of the labels."""
    return st.integers(low * 1000, high * 1000).map(lambda n: n / 1000)


def marks(names: tuple[str, ...]) -> st.SearchStrategy[tuple[DefectMark, ...]]:
    one = st.builds(
        DefectMark, st.sampled_from(names), milli(-3, 9), milli(0, 1),
        st.lists(st.sampled_from(["leg", "roof", "tag 1"]), max_size=2).map(tuple),
    )  # fmt: skip
    return st.lists(one, max_size=3, unique_by=lambda m: m.name).map(tuple)


@st.composite
def part(draw: st.DrawFn) -> PartShape:
    flat = draw(st.lists(milli(0, SIZE), min_size=6, max_size=12).filter(lambda p: len(p) % 2 == 0))
    points = np.array(flat, np.float32).reshape(-1, 2)
    return PartShape(draw(st.text(max_size=5)), draw(st.sampled_from(["leg", "tag"])), points)


@st.composite
def letter(draw: st.DrawFn) -> LetterTruth:
    char = draw(st.sampled_from(LETTERS))
    own = tuple(name for name in GLYPH_DEFECTS if CATALOGUE[name].applies_to(char))
    defects = draw(marks(own))
    names = [m.name for m in defects]
    some = st.lists(st.sampled_from(own), unique=True, max_size=4)
    known = draw(st.none() | some.map(lambda k: tuple(dict.fromkeys((*names, *k)))))
    x, y = draw(milli(0, SIZE - 100)), draw(milli(0, SIZE - 100))
    box = (x, y, round(x + draw(milli(1, 99)), 3), round(y + draw(milli(1, 99)), 3))
    return LetterTruth(
        char, draw(st.none() | st.sampled_from(LETTERS)),
        *(draw(st.integers(-1, 800)) for _ in range(3)), box,
        (draw(milli(-9, SIZE)), draw(milli(-9, SIZE)), draw(milli(1, 90)), draw(milli(-180, 180))),
        draw(st.integers(-1, 5)), defects, tuple(draw(st.lists(part(), max_size=2))),
        draw(st.booleans()), draw(st.none() | st.sampled_from(LETTERS)),
        draw(st.integers(0, 5000)) / 10_000, draw(st.none() | st.sampled_from(["large", "small"])),
        draw(st.booleans()), known,
    )  # fmt: skip


@st.composite
def page(draw: st.DrawFn) -> PageTruth:
    # A box given twice is refused as one letter given twice.
    letters = tuple(draw(st.lists(letter(), max_size=6, unique_by=lambda one: one.box)))
    gap = st.builds(
        GapTruth, st.integers(0, 5), st.integers(0, 5), st.sampled_from([None, "letter", "word"]),
        milli(-2, 30), marks(("words_joined", "word_parted", "letters_touch")),
    )  # fmt: skip
    return PageTruth(
        np.zeros((SIZE, SIZE), np.uint8), letters,
        tuple(draw(st.lists(gap, max_size=3))),
        tuple(draw(st.lists(st.tuples(st.integers(0, 5), st.sampled_from(LETTERS)), max_size=2))),
        draw(st.dictionaries(st.text(max_size=6), st.integers() | st.text(), max_size=3)),
    )  # fmt: skip


def plain(page: PageTruth) -> object:
    """All that is known of a page but its pixels, numbers rounded to the labels' precision."""

    def rounded(value: object) -> object:
        if isinstance(value, float):
            return round(value, 3) + 0.0
        if isinstance(value, tuple | list):
            return [rounded(v) for v in value]
        if isinstance(value, np.ndarray):
            return rounded(value.astype(float).round(3).tolist())
        if hasattr(value, "__dataclass_fields__"):
            return {name: rounded(getattr(value, name)) for name in value.__dataclass_fields__}
        return value

    return [rounded(page.letters), rounded(page.gaps), rounded(page.missing), page.meta]


@settings(max_examples=60, deadline=None)
@given(st.lists(page(), min_size=1, max_size=3))
def test_nothing_is_lost(pages: list[PageTruth]) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for i, one in enumerate(pages):
            cv2.imwrite(str(folder / f"{i:06d}.png"), one.image)
        data = to_coco(pages)
        (folder / "labels.json").write_text(json.dumps(data), "utf-8")
        back = list(load_coco(folder / "labels.json"))
    assert [plain(one) for one in back] == [plain(one) for one in pages]
    # What we write, our own checker takes, but for pages of which it wants to hear that they are
    # blank.
    sizes = {f"{i:06d}.png": (SIZE, SIZE) for i in range(len(pages))}
    reasons = [c.reason for c in coco_complaints(data, "labels.json", sizes)]
    assert all(why.startswith("no letter is labelled") for why in reasons), reasons
    # And once more: what was read is written as it was.
    assert json.dumps(to_coco(back)) == json.dumps(data)


@settings(max_examples=150, deadline=None)
@given(
    st.recursive(
        st.none() | st.booleans() | st.integers(-2, 30) | st.floats() | st.text(max_size=4),
        lambda v: st.lists(v, max_size=4)
        | st.dictionaries(
            st.sampled_from(
                ["images", "annotations", "categories", "id", "image_id", "category_id", "bbox",
                 "attributes", "defects", "known", "body", "parts", "segmentation", "file_name",
                 "crownlet", "meta", "name", "share", "tags"]
            ), v, max_size=6,
        ),
        max_leaves=40,
    )
)  # fmt: skip
def test_the_checker_takes_whatever_json_holds(data: object) -> None:
    wrapped = {"images": [data], "annotations": [data], "categories": [data]}
    for labels in (data, wrapped, {"images": data if isinstance(data, list) else []}):
        assert isinstance(coco_complaints(labels, "x", {}), list)

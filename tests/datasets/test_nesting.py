"""Yuds over the base of the letter before them (seen in old scrolls; no printed source)."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.render.page import layout
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean


@pytest.fixture
def text(tmp_path: Path) -> str:
    path = tmp_path / "words.txt"
    path.write_text("פני בני כי\nניצוץ ביתך צידה\n", encoding="utf-8")
    return str(path)


def overlap(page: PageTruth) -> float:
    """Mean width, in q, by which yuds stand over the letter before them."""
    pairs = zip(page.letters, page.letters[1:], strict=False)
    found = [
        (b.box[2] - a.box[0]) / a.q
        for a, b in pairs
        if b.letter == "י" and b.place and a.line == b.line
    ]
    return float(np.mean(found))


def test_hands_that_nest_set_yuds_over_the_base_and_keep_them_apart(
    text: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    seeds = range(6)
    pages = {}
    for share in (0.0, 1.0):
        monkeypatch.setattr(layout, "NESTING_PAGE_SHARE", share)
        pages[share] = [compose(clean(portion=text, body=(60.0, 60.0)), s) for s in seeds]
    plain, nested = (np.mean([overlap(page) for page in pages[share]]) for share in (0.0, 1.0))
    # Hands that pack their letters let yuds in a little anyway.
    assert nested > plain + 0.04
    for page in pages[1.0]:
        assert not any(mark.name == "letters_touch" for x in page.letters for mark in x.defects)
        # Every letter of these words is one piece of ink but he, which has two (OC 36:2).
        grey = page.image if page.image.ndim == 2 else page.image.min(axis=2)
        # A tag's stem may be thinner than a pixel, and grey: skin on these pages is white.
        pieces = cv2.connectedComponents((grey < 190).astype(np.uint8), connectivity=8)[0] - 1
        assert pieces == sum(1 + (letter.letter in "הק") for letter in page.letters)

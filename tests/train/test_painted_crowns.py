"""Crowns found and painted out on rendered pages, where the renderer knows what stands there.

No outside source: the truth is the renderer's, and the counts follow from their definitions.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean
from crownlet.infer.records import GlyphRecord
from crownlet.train.evaluation.crown_paint import CrownedBody, find_crown, paint_out
from crownlet.train.evaluation.painted_crowns import (
    LAMED,
    PaintedCounts,
    PaintedPicture,
    count_letter,
    nearest_glyph,
    painted_card,
    read_crowned_places,
)
from crownlet.train.evaluation.photographs import load_texts

CROWNED = "שעטנזגצץןבדקחיה"
"""Menachot 29b and Mishnat Sofrim: three tags on seven letters, one on six (finals as theirs)."""


@pytest.fixture(scope="module", params=[22.0, 60.0])
def page(request: pytest.FixtureRequest) -> PageTruth:
    body = float(request.param)
    return compose(clean(portion="shema", split="heldout", body=(body, body)), 4)


def bodies(page: PageTruth) -> list[CrownedBody]:
    return [CrownedBody(x.body[0], x.body[1], x.q, x.box) for x in page.letters]


def gray_of(image: np.ndarray) -> np.ndarray:
    return image if image.ndim == 2 else np.asarray(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY))


def coloured(image: np.ndarray) -> np.ndarray:
    return np.repeat(image[..., None], 3, axis=2) if image.ndim == 2 else image


def test_crowns_are_found_on_the_letters_that_have_them(page: PageTruth) -> None:
    gray, every = gray_of(page.image), bodies(page)
    letters = [x for x in page.letters if x.letter != LAMED]
    found = [
        find_crown(gray, body, every)
        for x, body in zip(page.letters, every, strict=True)
        if x.letter != LAMED
    ]
    crowned = [x.tags > 0 for x in letters]
    assert {x.letter for x in letters if x.tags} <= set(CROWNED)
    right = [(crown is not None) == has for crown, has in zip(found, crowned, strict=True)]
    assert np.mean(right) >= 0.95
    falsely = sum(crown is not None and not has for crown, has in zip(found, crowned, strict=True))
    assert falsely <= 0.02 * len(letters)


def test_what_is_painted_out_is_skin_and_nothing_else_changes(page: PageTruth) -> None:
    gray, every = gray_of(page.image), bodies(page)
    mine = [k for k, x in enumerate(page.letters) if x.tags and x.letter != LAMED][::2]
    crowns = {k: crown for k in mine if (crown := find_crown(gray, every[k], every))}
    painted = gray_of(paint_out(coloured(page.image), crowns.values()))
    again = [k for k in crowns if find_crown(painted, every[k], every)]
    assert len(crowns) > 20
    assert len(again) <= 0.05 * len(crowns)
    inside = np.zeros(gray.shape, np.bool_)
    for crown in crowns.values():
        x0, y0, x1, y1 = crown.window
        inside[y0:y1, x0:x1] = True
    assert np.array_equal(painted[~inside], gray[~inside])
    # The letters themselves stay: below their ruled line by a third of a pen nothing is painted.
    for k in crowns:
        body = every[k]
        low, high = round(body.y + 0.35 * body.q), round(body.y + 3 * body.q)
        x0, x1 = round(body.box[0]), round(body.box[2])
        before, after = gray[low:high, x0:x1], painted[low:high, x0:x1]
        assert np.mean(np.abs(before.astype(int) - after) > 40) < 0.03


def glyph(**changes: object) -> GlyphRecord:
    row = GlyphRecord(
        1, 1, 1, 1, "ד", 0.99, "ד", (0.0, 0.0, 30.0, 30.0), (15.0, 0.0, 30.0, 0.0), 0, 1, {}
    )
    return replace(row, **changes)  # type: ignore[arg-type]


def test_named_found_and_false_are_counted_by_their_definitions() -> None:
    found = glyph(route="finding", reasons=("tag_missing",), sure=("tag_missing",))
    doubted = glyph(route="review", reasons=("tag_missing",))
    blind = glyph(not_examined=("tag_none",))
    assert count_letter(found, True) == PaintedCounts(painted=1, named=1, found=1)
    assert count_letter(doubted, True) == PaintedCounts(painted=1, named=1)
    assert count_letter(blind, True) == PaintedCounts(painted=1, not_examined=1)
    assert count_letter(None, True) == PaintedCounts(painted=1, not_examined=1)
    assert count_letter(found, False) == PaintedCounts(untouched=1, false_findings=1)
    assert count_letter(doubted, False) == PaintedCounts(untouched=1, false_reviews=1)
    assert count_letter(glyph(), False) == PaintedCounts(untouched=1)
    total = count_letter(found, True) + count_letter(blind, True) + count_letter(doubted, False)
    card = painted_card([PaintedPicture("a.png", total, 9.0)])
    assert (card["painted"], card["named"], card["false_reviews"]) == (2, 0.5, 1.0)


def test_a_letter_far_away_is_not_the_painted_one() -> None:
    body = CrownedBody(15.0, 0.0, 10.0, (0.0, 0.0, 30.0, 30.0))
    assert nearest_glyph(body, [glyph()]) == glyph()
    assert nearest_glyph(body, [glyph(body=(40.0, 0.0, 30.0, 0.0))]) is None
    assert nearest_glyph(body, []) is None


def test_texts_and_places_are_read_from_their_tables(tmp_path: Path) -> None:
    (tmp_path / "transcriptions.tsv").write_text(
        "photo\tline\ttext\twhole_letters\na.jpg\t2\t[ו]אהבת את\t6\na.jpg\t1\t^שמע [...]\t0\n",
        encoding="utf-8",
    )
    assert load_texts(tmp_path)["a.jpg"].words == ("שמע", "ואהבת", "את")
    places = tmp_path / "crowned.tsv"
    places.write_text("photo\tx\ty\na.jpg\t10\t20.5\n", encoding="utf-8")
    assert read_crowned_places(places) == {"a.jpg": [(10.0, 20.5)]}

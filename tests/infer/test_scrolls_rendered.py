"""Renders, whose truth is known: the reverse in every position, and crowns of both sides."""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt
import pytest

from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import clean
from crownlet.datasets.scribal.texts import load_portion
from crownlet.infer.inspector import Inspector, record_side
from crownlet.infer.records import PageRecord
from crownlet.infer.scrolls.gather import gather_scrolls

BODY = 48.0
BACK = load_portion("mezuzah_reverse")


@cache
def inspector() -> Inspector:
    return Inspector()


@cache
def rendered(text: str, hand: int, crowned: float) -> PageTruth:
    spec = clean(
        portion=text,
        split="heldout",
        hand=hand,
        body=(BODY, BODY),
        crowned=crowned,
        margin=(6.0, 8.0),
    )
    return compose(spec, 40 + hand)


def inspected(image: npt.NDArray[np.uint8], text: str, name: str, side: str) -> PageRecord:
    page = inspector().load(np.ascontiguousarray(image))
    read = record_side(inspector(), page, side, load_portion(text), name)  # type: ignore[arg-type]
    return inspector().judge_hand(read)


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
@pytest.mark.parametrize("hand", [1, 7])
def test_the_reverse_is_read_in_every_position(turn: int, hand: int) -> None:
    """Fourteen letters upside down and three upright: Keset HaSofer 27:7."""
    truth = rendered("mezuzah_reverse", hand, 1.0)
    record = inspected(np.rot90(truth.image, -turn // 90), "mezuzah", "a-reverse", "reverse")
    assert record.match is not None
    assert record.match.portion == "mezuzah_reverse"
    assert "".join(g.letter for g in record.glyphs) == BACK.letters
    assert record.turn == turn
    assert len(record.notes) == (turn != 0)
    assert (record.match.matched, record.match.swapped, record.match.absent) == (17, 0, ())
    stands = [round((g.body[3] - turn) / 90) % 4 * 90 for g in record.glyphs]
    assert stands == [180] * 14 + [0] * 3
    # Places are those of the picture as given: the first letter is the truth's first.
    x, y = truth.letters[0].body[:2]
    height, width = truth.image.shape[:2]
    wanted = {0: (x, y), 90: (height - y, x), 180: (width - x, height - y), 270: (y, width - x)}
    assert np.hypot(*np.subtract(record.glyphs[0].body[:2], wanted[turn])) < 0.15 * BODY


@pytest.mark.parametrize(("inside", "outside"), [(0.0, 1.0), (1.0, 1.0)])
def test_crowns_of_both_sides_are_counted_as_written(inside: float, outside: float) -> None:
    """Hands whose seeds leave tags out on the page that is not crowned: the truth is counted."""
    hand = 0
    pages = {
        "face": rendered("shema", hand, inside),
        "reverse": rendered("mezuzah_reverse", hand, outside),
    }
    face = inspected(pages["face"].image, "shema", "a-face", "face")
    reverse = inspected(pages["reverse"].image, "mezuzah", "a-reverse", "reverse")
    (scroll,) = gather_scrolls([face, reverse])
    assert scroll.comparison is not None
    compared = 0
    for form in scroll.comparison.forms:
        for side, counted in (("face", form.face), ("reverse", form.reverse)):
            tags = [g.tags for g in pages[side].letters if g.letter == form.letter]
            crowned = sum(count >= max(form.wanted, 1) for count in tags)
            assert counted.letters >= len(tags) - 1
            assert abs(counted.crowned - crowned) <= 1
            compared += counted.letters
    assert compared > 60
    statement = scroll.comparison.messages[0]
    if inside < outside:
        assert statement.startswith("Look here: shin")
        assert "crowned on the reverse and not on the face" in statement
    else:
        assert statement.startswith("Alike: shin")


def test_a_reverse_given_as_face_and_a_wrong_portion() -> None:
    back = rendered("mezuzah_reverse", 7, 1.0).image
    record = inspected(back, "mezuzah", "a-face", "face")
    assert record.match is not None
    assert record.match.portion == "mezuzah_reverse"
    assert record.notes[0].startswith("Given as a face, this page reads as the reverse")
    assert not record.match.absent
    strange = inspected(rendered("shema", 0, 1.0).image, "kadesh", "b", "face")
    assert strange.match is not None
    assert "do not belong together" in strange.match.note
    assert "seems to be 'shema'" in strange.match.note
    assert not strange.match.absent
    assert not [g for g in strange.glyphs if {"letter_swapped", "letter_extra"} & set(g.reasons)]


def test_letters_beyond_the_frame_of_a_line_upside_down_are_no_findings() -> None:
    """The line behind line 1 begins at its left: cut there, its first letters may be hidden."""
    truth = rendered("mezuzah_reverse", 7, 1.0)
    cut = round(truth.letters[4].box[0]) - 3
    record = inspected(truth.image[:, cut:], "mezuzah", "a-reverse", "reverse")
    assert record.match is not None
    assert "".join(g.letter for g in record.glyphs) == BACK.letters[4:]
    assert [(a.letter, a.route) for a in record.match.absent] == [(c, "review") for c in "כוזו"]

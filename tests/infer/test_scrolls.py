"""Pages into scrolls: crowns of both sides, evenness, mix-ups; on records made by hand."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import made_pages as made
import numpy as np
import pytest
from made import turned

from crownlet.datasets.scribal.alphabet import BY_CHAR
from crownlet.datasets.scribal.texts import load_portion
from crownlet.infer.records import PageRecord, TextMatch
from crownlet.infer.scrolls import same_page as alike
from crownlet.infer.scrolls.gather import gather_scrolls, given_places, write_scrolls
from crownlet.infer.scrolls.members import PagePlace
from crownlet.infer.scrolls.same_page import SAME_PAGE
from crownlet.infer.scrolls.scroll import FormCrowns, Scroll

FACE = load_portion("mezuzah").letters
BACK = load_portion("mezuzah_reverse").letters


def one(*records: PageRecord) -> Scroll:
    (scroll,) = gather_scrolls(records)
    return scroll


def form(scroll: Scroll, letter: str) -> FormCrowns:
    assert scroll.comparison is not None
    return next(f for f in scroll.comparison.forms if f.letter == letter)


def test_sides_of_one_scroll_are_one_object() -> None:
    texts = {"a-face": FACE, "b-reverse": BACK, "lone": FACE[::-1], "a-reverse": BACK}
    scrolls = gather_scrolls(made.written(name, text) for name, text in texts.items())
    assert [(s.name, s.faces, s.reverses) for s in scrolls] == [
        ("a", ("a-face",), ("a-reverse",)), ("b", (), ("b-reverse",)), ("lone", ("lone",), ()),
    ]  # fmt: skip
    assert scrolls[0].comparison is not None
    assert scrolls[1].comparison is scrolls[2].comparison is scrolls[1].consistency is None


def test_a_hand_that_crowns_the_outside_only() -> None:
    scroll = one(made.written("a-face", FACE, crowned=False), made.written("a-reverse", BACK))
    # The texts' counts are checked against scribes' tables in tests/outside/test_check_values.py.
    assert form(scroll, "ש").face.letters == FACE.count("ש")
    for letter in "שדיזב":
        assert form(scroll, letter).sides == "reverse_only"
    for letter in "וכמס":
        assert form(scroll, letter).sides == "neither"
    statement = form(scroll, "ש").message
    assert f"{FACE.count('ש')} of {FACE.count('ש')} without three crowns" in statement
    assert "1 of 1 with three crowns" in statement
    assert scroll.comparison is not None
    assert scroll.comparison.messages[0].startswith(
        "Look here: shin, dalet, yud, zayin and bet are"
    )
    assert "17 could be compared, 7 of" in scroll.comparison.messages[-1]
    assert scroll.comparison.chance is not None
    assert scroll.comparison.chance < 1e-6


def test_a_hand_that_crowns_both_sides_alike_or_the_inside_only() -> None:
    both = one(made.written("a-face", FACE), made.written("a-reverse", BACK)).comparison
    assert both is not None
    assert both.chance == 1.0
    assert both.messages[0].startswith("Alike: shin, dalet, yud, zayin and bet are crowned on both")
    inside = one(made.written("a-face", FACE), made.written("a-reverse", BACK, crowned=False))
    assert form(inside, "ש").sides == "face_only"
    assert inside.comparison is not None
    assert "crowned on the face and not on the reverse" in inside.comparison.messages[0]


def test_what_is_too_little_is_called_so() -> None:
    # Two of five shins crowned here, one of one there: by chance in every second scroll.
    face = made.page("a-face", [made.glyph(k, "ש", tags=0) for k in range(1, 6)])
    back = made.page("a-reverse", [made.glyph(1, "ש", tags=3)])
    statement = one(face, back).comparison
    assert statement is not None
    assert statement.chance == pytest.approx(2 / 6)
    assert "too little to tell a habit from chance" in statement.messages[0]


def test_letters_in_doubt_and_pictures_too_poor_are_left_out() -> None:
    unseen = {"not_examined": ("tag_missing",), "reasons": (), "sure": (), "route": "clear"}
    poor = [made.glyph(k, "ש", **unseen) for k in range(1, 4)]  # type: ignore[arg-type]
    strange = [made.glyph(k, "ד", reasons=("unfamiliar",)) for k in range(4, 8)]
    other = [
        made.glyph(8, "ד", expected="ר"),
        made.glyph(9, "ד", letter_p=0.4),
        made.glyph(10, "ד"),
    ]
    scroll = one(made.page("a-face", [*poor, *strange, *other]), made.written("a-reverse", BACK))
    assert form(scroll, "ש").face.letters == 0
    assert form(scroll, "ד").face.letters == 1
    assert scroll.comparison is not None
    assert any(
        "too poor to count the crowns of shin" in text for text in scroll.comparison.messages
    )


def test_crowns_that_cannot_be_counted_are_compared_as_any_crown_and_none() -> None:
    uncounted = {"not_examined": ("tag_missing",), "reasons": (), "sure": (), "route": "clear"}
    some = {**uncounted, "p": {"tag_missing": 0.6, "tag_none": 0.001}}
    none = {
        "not_examined": ("tag_missing",), "tags": 0,
        "p": {"tag_missing": 0.999, "tag_none": 0.999},
    }  # fmt: skip
    face = [made.glyph(k, "ש", **none) for k in range(1, 13)]  # type: ignore[arg-type]
    face += [made.glyph(13, "ש", **uncounted)]  # type: ignore[arg-type]
    back = [made.glyph(k, "ש", **some) for k in range(1, 4)]  # type: ignore[arg-type]
    compared = form(one(made.page("a-face", face), made.page("a-reverse", back)), "ש")
    assert (compared.face.letters, compared.face.crowned) == (12, 0)
    assert (compared.reverse.letters, compared.reverse.crowned) == (3, 3)
    assert (compared.sides, compared.counted) == ("reverse_only", False)
    assert compared.message == (
        "shin: on the face 12 of 12 without a crown; on the reverse 3 of 3 with a crown"
    )


def test_doubts_are_stated_as_doubts_beside_what_is_seen() -> None:
    # The issue: "29 letters whose crowns look like bare lines" was said where 1 was seen.
    doubt = {"reasons": ("tag_missing",), "sure": (), "route": "review"}
    bare = {"reasons": ("tag_bare",), "route": "finding", "sure": ("tag_bare",), "tags": 3}
    face = [
        *(made.glyph(k, "ש", tags=3) for k in range(1, 5)),
        *(made.glyph(k, "ש", **doubt) for k in range(5, 8)),  # type: ignore[arg-type]
        made.glyph(8, "ש", **bare),  # type: ignore[arg-type]
        *(made.glyph(k, "ש", **bare | {"route": "review", "sure": ()})  # type: ignore[arg-type]
          for k in range(9, 11)),
    ]  # fmt: skip
    back = [made.glyph(1, "ש", **doubt), made.glyph(2, "ש", **doubt)]  # type: ignore[arg-type]
    scroll = one(made.page("a-face", face), made.page("a-reverse", back))
    counts = form(scroll, "ש").face
    assert (counts.letters, counts.crowned, counts.doubted) == (7, 7, 3)
    assert (counts.bare, counts.bare_doubted) == (1, 2)
    assert form(scroll, "ש").message == (
        "shin: on the face 7 of 7 with three crowns, 3 more in doubt, 1 with plain lines, "
        "2 more perhaps with plain lines; on the reverse 2 in doubt"
    )
    # Where most letters of a side are in doubt nothing is said of it.
    assert form(scroll, "ש").sides == "mixed"


def test_an_even_hand_is_not_called_uneven_and_an_uneven_one_is() -> None:
    even = one(made.written("a-face", FACE)).consistency
    assert even is not None
    assert even.lines == 72
    assert even.messages == ()
    assert even.size_first == even.size_last == 1.0
    letters = [
        made.glyph(k, "ש", line=k, tags=3 if k % 2 else 0, width=3.0 if k <= 10 else 3.6)
        for k in range(1, 31)
    ]
    letters += [made.glyph(30 + k, "ב", line=k, tags=1) for k in range(1, 31)]
    uneven = one(made.page("b-face", letters)).consistency
    assert uneven is not None
    assert [f.letter for f in uneven.forms if f.uneven] == ["ש"]
    (statement,) = uneven.messages
    assert statement.startswith("shin (30 letters): 15 of 30 with three crowns")
    assert "width 3.0 kulmus in the first lines, 3.6 in the last" in statement


def test_findings_that_gather_in_the_last_lines() -> None:
    letters = [made.glyph(k, "ב", line=k, tags=1, route="finding" if k > 20 else "clear")
               for k in range(1, 31)]  # fmt: skip
    statement = one(made.page("a-face", letters)).consistency
    assert statement is not None
    assert "findings: 0 of 10 in the first lines, 10 of 10 in the last" in statement.messages[0]


def test_one_odd_letter_is_no_unevenness_and_growing_writing_is_stated() -> None:
    letters = [made.glyph(k, "ט", line=k, tags=3 if k > 1 else 0) for k in range(1, 8)]
    odd = one(made.page("a-face", letters)).consistency
    assert odd is not None
    assert odd.messages == ()
    growing = [made.glyph(k, "ב", line=k, tags=1, q=10.0 + 0.1 * k) for k in range(1, 31)]
    statement = one(made.page("a-face", growing)).consistency
    assert statement is not None
    # First ten lines: 10.55 px in the middle; last ten: 12.55; all: 11.55.
    assert statement.size_first == pytest.approx(10.55 / 11.55, abs=1e-4)
    assert statement.size_last == pytest.approx(12.55 / 11.55, abs=1e-4)
    assert statement.messages == (
        "The writing of the last lines is 19% larger than that of the first; a camera held askew "
        "shows the same.",
    )


def test_exchanged_sides_are_stated_once_and_shown_as_they_read() -> None:
    scroll = one(made.written("a-reverse", FACE), made.written("a-face", BACK))
    assert (scroll.faces, scroll.reverses) == (("a-reverse",), ("a-face",))
    assert scroll.notes == (
        "a-reverse: Given as a reverse, this page reads as a face.",
        "a-face: Given as a face, this page reads as a reverse.",
    )
    own = "Given as a face, this page reads as the reverse of a mezuzah."
    statement = one(made.written("a-face", BACK, notes=(own,)))
    assert statement.notes == (own,)


def test_two_pictures_of_one_side_and_one_picture_twice() -> None:
    pages = [made.written("a-face", FACE), made.written("a-face-2", FACE[:300])]
    assert "hold the same text" in one(*pages).notes[0]
    halves = [made.written("a-face", FACE[:350]), made.written("a-face-2", FACE[350:])]
    assert one(*halves).notes == ()
    same = [made.written(name, FACE, sha256="5" * 64) for name in ("a-face", "a-face-2", "b-face")]
    a, b = gather_scrolls(same)
    statement = "The same picture was given 3 times: a-face, a-face-2 and b-face."
    assert a.notes == b.notes == (statement,)


def shaken(name: str, widths: int, noise: int, **page: object) -> PageRecord:
    """A face whose letters differ in width by 6%, drawn by `widths`, as measured with errors."""
    record = made.written(name, FACE, **page)
    wide = np.random.default_rng(widths).normal(1, 0.06, len(record.glyphs))
    wide *= np.random.default_rng(noise).normal(1, 0.02, len(wide))
    glyphs = [
        replace(g, box=(*g.box[:2], g.box[0] + w * (g.box[2] - g.box[0]), g.box[3]))
        for g, w in zip(record.glyphs, wide, strict=True)
    ]
    return replace(record, glyphs=tuple(glyphs))


def test_two_pictures_of_one_page_are_stated_wherever_they_were_given() -> None:
    page = shaken("a-face", 1, 2, sha256="1" * 64)
    again = turned(shaken("c-face", 1, 3, sha256="3" * 64), 90)
    other = shaken("b-face", 4, 5, sha256="2" * 64)
    a, b, c = gather_scrolls([page, other, again])
    statement = "a-face and c-face may show the same page: letter by letter they are alike."
    assert a.notes[0] == c.notes[0] and a.notes[0].startswith(statement)
    assert not [note for note in b.notes if SAME_PAGE in note]
    bytewise = gather_scrolls([page, replace(again, image=page.image)])
    assert "The same picture was given 2 times" in bytewise[0].notes[0]
    assert not [note for note in bytewise[0].notes if SAME_PAGE in note]


def test_sentences_of_the_pages_stand_at_the_top() -> None:
    match = TextMatch("mezuzah", 713, 1, 1, 0, note="They do not belong together.")
    turned = made.written("a-face", "שמע", notes=("It stood upside down.",), match=match)
    assert one(turned).notes == ("It stood upside down.", "They do not belong together.")
    both = one(turned, made.written("a-reverse", BACK))
    assert both.notes[0] == "a-face: It stood upside down."


def test_pages_whose_letters_differ_in_proportions() -> None:
    def page(name: str, text: str, wider: float) -> PageRecord:
        letters = [
            made.glyph(k, c, line=1 + k // 10, tags=BY_CHAR[c].crown, width=2 * wider)
            for k, c in enumerate(text, start=1)
        ]
        return made.page(name, letters)

    text = FACE[:330], FACE[330:]
    assert one(page("a-face", text[0], 1.0), page("a-face-2", text[1], 1.02)).notes == ()
    (note,) = one(page("a-face", text[0], 1.0), page("a-face-2", text[1], 1.3)).notes
    assert "differ in the proportions" in note


def test_the_list_is_whole_and_remembers_what_was_given(tmp_path: Path) -> None:
    scrolls = gather_scrolls([made.written("א-face", FACE), made.written("א-reverse", BACK)])
    places = [PagePlace("א-face", "א", "face", "N"), PagePlace("א-reverse", "א", "reverse", "N")]
    path = write_scrolls(tmp_path / "run", scrolls, places)
    first = path.read_bytes()
    assert write_scrolls(tmp_path / "run", scrolls, places).read_bytes() == first
    assert [p.name for p in path.parent.iterdir()] == ["scrolls.json"]
    data = json.loads(first)
    assert data["scrolls"][0]["name"] == "א"
    assert data["scrolls"][0]["comparison"]["forms"][0]["letter"] == "ש"
    assert given_places(path.parent) == {place.page: place for place in places}
    assert given_places(tmp_path) == {}


def test_pages_are_held_against_each_other_block_by_block(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(alike, "PAGES_PER_BLOCK", 3)
    rng = np.random.default_rng(0)
    kinds = rng.normal(size=(4, alike.SIGNATURE_PLACES))
    signs = {
        f"p{k}": kinds[k % 4] + 0.3 * rng.normal(size=alike.SIGNATURE_PLACES) for k in range(10)
    }
    units = {name: (sign / np.linalg.norm(sign)).astype(np.float32) for name, sign in signs.items()}
    pairs = [(a, b) for a, b in combinations(units, 2) if (int(a[1:]) - int(b[1:])) % 4 == 0]
    assert sorted(alike.same_pages(units | {"few": None})) == sorted(pairs)

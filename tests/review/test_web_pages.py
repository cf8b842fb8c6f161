"""What the review page shows and hides, and what it does with what a reader sends."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from urllib.parse import quote

import cv2
import numpy as np
import pytest
import review_server
import synthetic_runs as made
from review_server import ORIGIN, Review, say
from sklearn.metrics import cohen_kappa_score
from starlette.testclient import TestClient

from crownlet.datasets.scribal.catalogue import CATALOGUE
from crownlet.infer.records import Measurement, TextMatch
from crownlet.infer.review.item_crops import CROP_FORMATS, cut_crop, is_wide
from crownlet.infer.review.models import Item
from crownlet.infer.review.web.item_view import (
    QUESTION_BY_KIND,
    asked_words,
    line_context,
    question_text,
)
from crownlet.infer.run.run import open_run
from crownlet.infer.run.tables import write_measures

PAGES = ["Plony-1", "Plony-2", "Almony-1"]


@pytest.fixture
def reviewed(tmp_path: Path) -> Iterator[Review]:
    with review_server.review(made.pictured(tmp_path, PAGES), audit_share=0.2) as review:
        yield review


@pytest.fixture
def window(reviewed: Review) -> TestClient:
    return reviewed.client()


def shown(window: TestClient, place: str = "/one") -> tuple[str, int, int]:
    """The page, and the item and version on it."""
    text = window.get(place).text
    found = re.search(r'data-id="(\d+)" data-version="(\d+)"', text)
    assert found
    return text, int(found[1]), int(found[2])


def test_source_scroll_and_opinion_are_hidden_until_the_decision(
    reviewed: Review, window: TestClient
) -> None:
    items = reviewed.store.items("anna", reveal=True)
    assert {item.origin for item in items} == {"finding", "review", "audit"}
    for item in items[::7]:
        text, number, version = shown(window, f"/one/{item.id}")
        hidden = (*PAGES, "chances", "finding", "in doubt", "audit", "What the program says")
        assert not [word for word in hidden if word in text]
        assert say(window, number, version, "not_present").is_success
        after = window.get(f"/one/{item.id}").text
        assert item.page in after and "What the program says" in after
        assert "made blind" in after


def test_items_of_the_audit_look_like_the_others(reviewed: Review, window: TestClient) -> None:
    def form(item: Item) -> str:
        """The page without what differs from letter to letter."""
        text = re.sub(r"<h1>.*?</h1>|<svg.*?</svg>", "", window.get(f"/one/{item.id}").text)
        text = re.sub(r'(?s)<p class="context">.*?</p>|(?s:<p class="name">.*?</p>)', "", text)
        text = re.sub(r"/wall/\w+/\w+|\d+|· <span.*?</p>|Letter [\w ]+ in|The place in", "", text)
        return text

    items = [i for i in reviewed.store.items("anna", reveal=True) if len(i.glyphs) == 1]
    forms = {i.origin: form(i) for i in items}
    assert forms["audit"] == forms["finding"] == forms["review"]


def test_seeing_first_is_recorded(reviewed: Review, window: TestClient) -> None:
    window.post("/blind", data={"blind": "0", "back": "/one"}, headers=ORIGIN)
    text, number, version = shown(window)
    assert "What the program says" in text and "Blind: off" in text
    say(window, number, version)
    # The switch put back does not make blind what was seen.
    _, second, version = shown(window)
    window.post("/blind", data={"blind": "1", "back": "/"}, headers=ORIGIN)
    say(window, second, version)
    _, third, version = shown(window)
    say(window, third, version)
    kept = {d.item: (d.blind, d.opinion_shown) for d in reviewed.store.decisions("anna")}
    assert kept == {number: (False, True), second: (False, True), third: (True, False)}


def test_a_decision_changed_after_looking_back_is_not_blind(
    reviewed: Review, window: TestClient
) -> None:
    _, number, version = shown(window)
    say(window, number, version, "present")
    shown(window, f"/one/{number}")
    window.post("/undo", json={"reader": "anna"}, headers=ORIGIN)
    _, _, version = shown(window, f"/one/{number}")
    say(window, number, version, "not_present")
    rows = [d for d in reviewed.store.decisions("anna") if d.choice != "taken_back"]
    assert [(d.choice, d.blind) for d in rows] == [("present", True), ("not_present", False)]


def test_of_two_windows_the_later_gets_an_error_and_overwrites_nothing(
    reviewed: Review, window: TestClient
) -> None:
    _, number, version = shown(window)
    other = reviewed.client()
    assert say(other, number, version, "present").is_success
    late = say(window, number, version, "not_present")
    assert late.status_code == 409
    assert "meanwhile in another window" in late.json()["error"]
    assert "Your decision: <b>present</b>" in late.json()["html"]
    assert [d.choice for d in reviewed.store.decisions("anna")] == ["present"]


def test_a_sweep_is_kept_whole_or_not_at_all(reviewed: Review, window: TestClient) -> None:
    items = reviewed.store.items("anna")[:9]
    say(reviewed.client(), items[4].id, items[4].version, "present")
    pairs = [[str(i.id), str(i.version)] for i in items]
    data = {"reader": "anna", "items": pairs, "choice": "not_present", "wall": True}
    late = window.post("/decide", json=data, headers=ORIGIN)
    assert late.status_code == 409
    assert [c["choice"] for c in late.json()["cells"]] == [""] * 4 + ["present"] + [""] * 4
    assert len(reviewed.store.decisions("anna")) == 1
    data["items"] = pairs[:4] + pairs[5:]
    assert "Saved 8 times" in window.post("/decide", json=data, headers=ORIGIN).json()["message"]
    undone = window.post("/undo", json={"reader": "anna", "wall": True}, headers=ORIGIN).json()
    assert "Taken back 8 times" in undone["message"]
    assert {c["choice"] for c in undone["cells"]} == {""}
    assert [i.id for i in reviewed.store.items("anna", state="done")] == [items[4].id]


def test_a_wrong_letter_and_a_note_are_kept(reviewed: Review, window: TestClient) -> None:
    _, number, version = shown(window)
    item = reviewed.store.item(number)
    right = "ר" if item.letter != "ר" else "ד"
    answer = say(window, number, version, "other_letter", right_letter=right, note="לא ברור")
    assert answer.is_success
    (kept,) = reviewed.store.decisions("anna")
    assert (kept.choice, kept.right_letter, kept.note) == ("other_letter", right, "לא ברור")
    assert "לא ברור" in shown(window, f"/one/{number}")[0]


def test_the_second_reader_does_not_see_what_the_first_said(
    reviewed: Review, window: TestClient
) -> None:
    _, number, version = shown(window)
    say(window, number, version, "authority", note="of the first")
    second = reviewed.client(reader="berta")
    text = second.get(f"/one/{number}").text
    assert 'class="made"' not in text and "of the first" not in text
    assert 'aria-pressed="true"' not in text.split('class="tools"')[0]


def test_two_readers_are_compared_as_scikit_learn_does(reviewed: Review) -> None:
    first, second = reviewed.client(), reviewed.client(reader="berta")
    rng = np.random.default_rng(3)
    choices: list[tuple[str, str]] = []
    reviewed.store.items("berta")
    for item in reviewed.store.items("anna")[:40]:
        a = str(rng.choice(["present", "not_present", "cannot_tell"]))
        b = a if rng.random() < 0.6 else "not_present"
        say(first, item.id, 0, a)
        say(second, item.id, 0, b, reader="berta")
        choices.append((a, b))
    text = first.get("/differences?a=anna&b=berta").text
    kappa = cohen_kappa_score(*zip(*choices, strict=True))
    assert f"kappa is {kappa:.2f}" in text
    assert text.count('src="/crop/') == sum(a != b for a, b in choices)


def test_the_review_is_written_out_from_the_page(reviewed: Review, window: TestClient) -> None:
    _, number, version = shown(window)
    say(window, number, version)
    text = window.post("/export", headers=ORIGIN).text
    assert "Written: labels.coco.json" in text
    assert (reviewed.run.folder / "decisions.csv").is_file()


def test_a_missing_picture_is_stated(tmp_path: Path) -> None:
    run = made.pictured(tmp_path, ["a"])
    (tmp_path / "scans" / "a.png").unlink()
    with review_server.review(run) as review:
        window = review.client()
        text, number, _ = shown(window)
        answer = window.get(f"/crop/{number}/near.jpg")
        assert answer.status_code == 404
        assert "moved or changed" in answer.text and "moved or changed" in text


def test_every_doubt_has_a_question_of_its_own() -> None:
    assert set(CATALOGUE) <= set(QUESTION_BY_KIND)
    for kind, entry in CATALOGUE.items():
        for letter in (*entry.letters, ""):
            asked = question_text(kind, letter, letter, 3)
            assert asked.endswith("?") and "{" not in asked and "  " not in asked


def test_the_line_of_text_is_that_of_the_book() -> None:
    """Deuteronomy 6:4, as written in every scroll; a letter too many and one absent put in."""
    words = ["שמע", "ישראל", "יהוה", "אלהינו", "יהוה", "אחד"]
    page = made.record("p", sum(map(len, words)) + 1, doubted=0)
    spelt = [(letter, k) for k, word in enumerate(words, 1) for letter in word]
    spelt.insert(5, ("ש", 2))
    glyphs = tuple(
        replace(g, line=1, word=k, letter=letter, expected="" if i == 5 else letter)
        for i, (g, (letter, k)) in enumerate(zip(page.glyphs, spelt, strict=True))
    )
    record = replace(page, glyphs=glyphs, match=TextMatch("given", 25, 25, 0, 1))

    def line(glyph: int, kind: str = "tag_missing") -> list[str]:
        item = Item(1, "p", "s", (glyph,), kind, "", glyphs[glyph - 1].box, 0, None)
        context = line_context(item, record)
        assert context is not None and context.expected
        return ["".join(f"[{m.letter}]" if m.asked else m.letter for m in w) for w in context.words]

    assert line(1) == ["[ש]מע", *words[1:]]
    assert line(6, "letter_extra") == ["שמע", "יש[ש]ראל", *words[2:]]

    def asked(kind: str) -> list[str]:
        item = Item(1, "p", "s", (6,), kind, "", glyphs[5].box, 0, None)
        return ["".join(mark.letter for mark in word) for word in asked_words(item, record)]

    # A wall shows the word where its crops alone do not show what is asked.
    assert asked("letter_extra") == ["יששראל"]
    assert asked("tag_missing") == []


@pytest.mark.parametrize("turn", [90, 180, 270])
def test_turned_writing_is_shown_upright(tmp_path: Path, turn: int) -> None:
    """Against numpy's own turning of the picture."""
    rng = np.random.default_rng(turn)
    small = rng.integers(0, 255, (60, 80, 3), np.uint8)
    page = cv2.resize(small, (1200, 900), interpolation=cv2.INTER_CUBIC)
    box = (600.0, 400.0, 660.0, 480.0)
    height, width = page.shape[:2]
    k = -turn // 90
    x0, y0, x1, y1 = box
    turned_box = {
        90: (height - y1, x0, height - y0, x1),
        180: (width - x1, height - y1, width - x0, height - y0),
        270: (y0, width - x1, y1, width - x0),
    }[turn]
    cut = []
    for name, pixels, place, angle in (
        ("upright", page, box, 0.0),
        ("turned", np.ascontiguousarray(np.rot90(page, k)), turned_box, float(turn)),
    ):
        record = made.record(name, 1, doubted=0)
        glyph = replace(record.glyphs[0], box=place, body=(*place[:2], 60.0, angle))
        made.write_page(replace(record, glyphs=(glyph,), gaps=()), tmp_path)
        run = open_run(tmp_path)
        item = Item(1, name, "s", (1,), "tag_missing", "ש", place, 0, None)
        data = cut_crop(pixels, item, run, "line")
        cut.append(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR).astype(float))
    assert (
        cut[0].shape
        == cut[1].shape
        == (CROP_FORMATS["line"].size[1], CROP_FORMATS["line"].size[0], 3)
    )
    assert np.abs(cut[0] - cut[1]).mean() < 3


def test_names_in_hebrew_and_runs_with_spaces(tmp_path: Path) -> None:
    run = made.pictured(tmp_path / "a folder של סריקות", ["מזוזה א"])
    with review_server.review(run) as review:
        window = review.client(reader="רות")
        text, number, version = shown(window)
        assert "רות" in text
        assert window.get(f"/crop/{number}/wall.jpg").content[:2] == b"\xff\xd8"
        assert say(window, number, version, reader="רות").is_success
        assert window.get("/").status_code == 200 and quote("רות")
        assert [d.reader for d in review.store.decisions()] == ["רות"]


def test_rulers_are_drawn_only_when_they_may_be_seen(tmp_path: Path) -> None:
    folder = made.pictured(tmp_path, ["a"]).folder
    doubted = next(g for g in open_run(folder).pages["a"].record.glyphs if g.reasons)
    name = '"><script>x</script>'
    at = ((30.0, 30.0), (34.0, 30.0))
    ruler = Measurement(doubted.glyph, name, 0.25, 0.1, *at, doubted.reasons[0], "there")
    write_measures(folder / "a" / "measures.csv", [ruler])
    with review_server.review(open_run(folder)) as review:
        window = review.client()
        items = review.store.items("anna", kind=doubted.reasons[0])
        item = next(i for i in items if i.glyphs == (doubted.glyph,))
        text, number, version = shown(window, f"/one/{item.id}")
        assert "ruler" not in text and "0.25" not in text
        say(window, number, version)
        text = window.get(f"/one/{item.id}").text
        assert 'class="ruler"' in text and "a quarter of a pen width, 0.1 mm; speaks for it" in text
        assert name not in text and "<script>x" not in text


@pytest.mark.parametrize("turn", [0, 90])
def test_a_stretched_letter_takes_two_places_of_a_wall(tmp_path: Path, turn: int) -> None:
    run = made.pictured(tmp_path, ["a"])
    pixels = run.pages["a"].pixels()
    for across, size in ((25.0, (264, 248)), (40.0, (544, 248))):
        wide, high = (across, 12.0) if turn == 0 else (12.0, across)
        box, body = (60.0, 60.0, 60.0 + wide, 60.0 + high), (60.0, 60.0, 12.0, float(turn))
        item = Item(1, "a", "s", (1,), "part_loose", "ת", box, 0, None, body=body)
        data = np.frombuffer(cut_crop(pixels, item, run, "wall"), np.uint8)
        assert cv2.imdecode(data, cv2.IMREAD_COLOR).shape[1::-1] == size
        # That it is stretched shows in one place as well.
        assert not is_wide(replace(item, kind="overstretched"))

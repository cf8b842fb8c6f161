"""The desk in Hebrew: its words, and that nothing it writes is Hebrew.

How a page stands right to left is that of HTML; the wording is this project's own.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest
import synthetic_runs as made
from english_left import english_left
from starlette.testclient import TestClient

from crownlet.infer.desk.desk import Desk
from crownlet.infer.desk.first_look import FirstLook
from crownlet.infer.desk.stack import Stack
from crownlet.infer.desk.web.app import create_desk_app
from crownlet.infer.view.choice import read_locale
from crownlet.infer.view.language import Locale

PORT, TOKEN = 8125, "a-token-of-the-test"
ORIGIN = {"Origin": f"http://127.0.0.1:{PORT}"}
PAGES = ["Plony-face", "Almony-face"]
NAMES = ("Plony", "Almony", "face", "png", "stack", "list", "Exodus", "anna")
HEBREW = re.compile("[א-ת]{3,}")
LOOKS = {
    "Plony-face": FirstLook("good", "Good enough for every question.", (), 713, "face", "mezuzah"),
    "Almony-face": FirstLook(
        "partly", "Not good enough for parts of letters and fine points of form; these will stand "
        "as not examined. Not judged, too: edges of columns and distances of lines. Not judged, "
        "too: whether thin strokes, crowns and joints are missing or only lost in the light.",
        ("larger", "sharper", "glare", "straight", "brightness"), 20,
    ),
    "blank": FirstLook(
        "unusable", "The page is blank: there is no writing on it; check that the right side was "
        "photographed, with light enough to see the ink.", ("darker", "other", "file"),
    ),
}  # fmt: skip


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    """A stack with two inspected pages, one blank picture and a table."""
    stack = tmp_path / "stack"
    made.pictured(stack, PAGES)
    cv2.imwrite(str(stack / "scans" / "blank.png"), np.full((90, 120), 200, np.uint8))
    (stack / "scans" / "list.csv").write_text("a,b\n")
    opened = Desk(Stack.open(stack))
    for picture in opened.stack.listed():
        opened.stack.keep_look(picture, LOOKS[picture.path.stem])
    yield opened
    opened.close()


@pytest.fixture
def window(desk: Desk) -> TestClient:
    app = create_desk_app(desk, TOKEN, PORT, "anna")
    client = TestClient(app, base_url=f"http://127.0.0.1:{PORT}")  # type: ignore[arg-type]
    assert client.get(f"/?token={TOKEN}").status_code == 200
    chosen = {"language": "he", "terms": "trade", "back": "/"}
    assert client.post("/locale", data=chosen, headers=ORIGIN).is_success
    return client


def test_no_english_sentence_is_left(window: TestClient, desk: Desk) -> None:
    html = window.get("/").text
    assert '<html lang="he" dir="rtl">' in html
    assert english_left(html, NAMES) == []
    assert "לכתחילה)" in html
    parts = window.get("/parts").json()
    assert english_left(parts["pictures"]["html"], NAMES) == []
    assert english_left(parts["progress"]["html"], NAMES) == []
    assert english_left(window.get("/review").text, NAMES) == []
    assert read_locale(desk.stack.run) == Locale("he", "trade")


def test_answers_are_hebrew_and_tables_are_not(window: TestClient, desk: Desk) -> None:
    key = desk.stack.listed()[0].key
    place = {"key": key, "scroll": "Zelig", "side": "reverse", "left_out": False}
    assert window.post("/place", json=place, headers=ORIGIN).json()["message"] == "נשמר."
    wrong = window.post("/place", json={**place, "scroll": "a/b"}, headers=ORIGIN)
    assert wrong.status_code == 400 and HEBREW.search(wrong.json()["error"])
    chosen = {"portion": "mezuzah", "customs": "no such", "settings": {}}
    refused = window.post("/choices", json=chosen, headers=ORIGIN).json()["error"]
    assert refused == "אי אפשר לבחור זאת: אין מנהגים בשם זה."
    unread = window.post("/pictures?name=more.csv", headers=ORIGIN).json()["unread"]
    assert unread == "טבלה"
    for path in (desk.stack.run / "scrolls.json", desk.stack.desk / "stack.json"):
        assert not HEBREW.search(path.read_text(encoding="utf-8")), path.name
    assert "Zelig" in (desk.stack.run / "scrolls.json").read_text(encoding="utf-8")


def test_sheets_of_the_desk_are_hebrew_and_hold_no_switch(window: TestClient) -> None:
    index = window.get("/sheets/index.html").text
    sheets = re.findall(r'<td><a href="([^"]+)"', index)
    assert len(sheets) == 2
    for file in ("index.html", "teaching.html", "beside.html", *sheets):
        answer = window.get(f"/sheets/{file}")
        assert answer.status_code == 200, file
        assert '<html lang="he" dir="rtl">' in answer.text
        assert english_left(answer.text, NAMES) == [], file
        assert "<form" not in answer.text
    missing = window.get("/sheets/nothing.html")
    assert missing.status_code == 404 and not re.search("[A-Za-z]", missing.text)


def test_the_progress_is_stated_in_hebrew(window: TestClient, desk: Desk) -> None:
    progress = desk.inspection._progress
    progress.state, progress.total, progress.done, progress.begun = "running", 9, 3, -1e4
    html = window.get("/parts").json()["progress"]["html"]
    assert english_left(html, NAMES) == [] and "נותרו כ־" in html

"""The review page in Hebrew: its words, those of its scripts and styles, and what is written."""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Iterator
from html import unescape
from pathlib import Path

import pytest
import review_server
import synthetic_runs as made
from english_left import english_left
from review_server import ORIGIN, Review, say
from starlette.testclient import TestClient
from used_messages import script_messages

from crownlet.infer.review.web import locale
from crownlet.infer.view.choice import read_locale
from crownlet.infer.view.language import Locale

PAGES = ["Plony-1", "Plony-2", "Almony-1"]
NAMES = ("Plony", "Almony", "anna", "ben")
STYLE = Path(locale.__file__).parent / "static" / "style.css"


@pytest.fixture
def reviewed(tmp_path: Path) -> Iterator[Review]:
    with review_server.review(made.pictured(tmp_path, PAGES), audit_share=0.2) as review:
        yield review


@pytest.fixture
def window(reviewed: Review) -> TestClient:
    opened = reviewed.client()
    assert choose(opened, "he").is_success
    return opened


def choose(window: TestClient, language: str, terms: str = "plain", back: str = "/"):
    data = {"language": language, "terms": terms, "back": back}
    return window.post("/locale", data=data, headers=ORIGIN)


def addresses(window: TestClient) -> list[str]:
    walls = re.findall(r'href="(/wall/[^"]+)"', window.get("/").text)
    assert walls
    return ["/", "/one", "/differences", *walls]


def test_no_english_sentence_is_left(reviewed: Review, window: TestClient) -> None:
    reviewed.client(reader="ben")
    for address in addresses(window):
        html = window.get(address).text
        assert '<html lang="he" dir="rtl">' in html
        assert english_left(html, NAMES) == [], address


def test_what_is_asked_once_of_a_hand_is_hebrew(tmp_path: Path) -> None:
    run = made.habit_run(tmp_path / "run", ["a", "b"])
    with review_server.review(run, audit_share=0.0) as reviewed:
        window = reviewed.client()
        choose(window, "he")
        group = reviewed.store.habit_groups("anna")[0]
        html = window.get(f"/habit/{group.number}").text
        assert english_left(html, NAMES) == []
        claim = f"לגבי {group.seen} אותיות הא אלה: רגל שמאל נוגעת בגג או ברגל ימין."
        assert claim in re.sub("[\u2068\u2069]", "", html)
        items = reviewed.store.habit_items("anna", group.number)
        data = {
            "reader": "anna", "answer": "present", "otherwise": [],
            "items": [[str(i.id), str(i.version)] for i in items if i.origin != "statement"],
        }  # fmt: skip
        answer = window.post(f"/habit/{group.number}", json=data, headers=ORIGIN).json()
        assert answer["message"].startswith("נשמר ל־") and not re.search(
            "[A-Za-z]", answer["message"]
        )


def test_answers_and_refusals_are_hebrew(window: TestClient) -> None:
    text = window.get("/one").text
    found = re.search(r'data-id="(\d+)" data-version="(\d+)"', text)
    assert found
    answer = say(window, found[1], found[2], "not_present").json()
    assert answer["message"].startswith("נשמר: אינו שם. הבא: האם ")
    assert english_left(answer["html"], NAMES) == []
    refused = say(window, found[1], 99, "present")
    assert refused.status_code == 409
    assert not re.search("[A-Za-z]", refused.json()["error"])
    assert not re.search("[A-Za-z]", window.get("/one/99999").text)
    assert not re.search("[A-Za-z]", window.get("/nowhere").text)


def test_the_choice_is_kept_with_the_run_and_goes_back(
    reviewed: Review, window: TestClient
) -> None:
    assert read_locale(reviewed.run.folder) == Locale("he", "plain")
    answer = window.post(
        "/locale", data={"language": "en", "terms": "trade", "back": "/one"},
        headers=ORIGIN, follow_redirects=False,
    )  # fmt: skip
    assert (answer.status_code, answer.headers["location"]) == (303, "/one")
    assert 'lang="en"' in window.get("/").text
    assert read_locale(reviewed.run.folder) == Locale("en", "trade")
    assert choose(window, "xx").status_code == 400
    away = window.post(
        "/locale", data={"language": "he", "terms": "plain", "back": "//elsewhere"},
        headers=ORIGIN, follow_redirects=False,
    )  # fmt: skip
    assert away.headers["location"] == "/"
    foreign = window.post(
        "/locale", data={"language": "en"}, headers={"Origin": "http://elsewhere"}
    )
    assert foreign.status_code == 403


def test_the_language_of_a_browser_is_not_obeyed_silently(reviewed: Review) -> None:
    opened = reviewed.client()
    html = opened.get("/", headers={"Accept-Language": "he-IL,he"}).text
    assert '<html lang="en" dir="ltr">' in html
    assert ">עברית</button>" in html


def test_scripts_and_styles_have_their_words(window: TestClient) -> None:
    scripts = {*locale.SCRIPT_MESSAGES, *locale.SCRIPT_COUNTS}
    assert {m for m in script_messages() if m in scripts} == scripts
    found = re.search(r'data-words="([^"]*)"', window.get("/").text)
    assert found
    words = json.loads(unescape(found[1]))
    assert set(words) == {
        *locale.SCRIPT_MESSAGES, *(each for pair in locale.SCRIPT_COUNTS for each in pair),
    }  # fmt: skip
    assert all(re.search("[א-ת]", word) for word in words.values())
    properties = re.findall(r'var\(--text-([\w-]+), "([^"]+)"\)', STYLE.read_text(encoding="utf-8"))
    assert dict(properties) == locale.STYLE_MESSAGES
    style = window.get("/words.css")
    assert style.headers["content-type"].startswith("text/css")
    assert '--text-otherwise:"אחרת"' in style.text


def test_what_is_written_stays_english(reviewed: Review, window: TestClient) -> None:
    """Tables and the file of decisions hold no Hebrew but the letters themselves."""
    for address in addresses(window):
        window.get(address)
    found = re.search(r'data-id="(\d+)" data-version="(\d+)"', window.get("/one").text)
    assert found
    assert say(window, found[1], found[2], "present").is_success
    assert window.post("/export", headers=ORIGIN).is_success
    folder = reviewed.run.folder
    hebrew = re.compile("[א-ת]{3,}")
    for path in (*folder.glob("*.json"), *folder.glob("*.csv")):
        assert not hebrew.search(path.read_text(encoding="utf-8")), path.name
    with sqlite3.connect(folder / "review.sqlite3") as kept:
        assert not hebrew.search("\n".join(kept.iterdump()))

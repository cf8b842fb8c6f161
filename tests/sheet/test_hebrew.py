"""Sheets, lists and posters in Hebrew: no English sentence, right to left, English unchanged.

`dir` and `lang` of a page are those of HTML; the wording is this project's own.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import sheet_samples as made
from english_left import english_left

from crownlet.infer.cli import main
from crownlet.infer.review.decisions import Answer
from crownlet.infer.review.store import ReviewStore
from crownlet.infer.run.run import Run, open_run

TAG = ("tag_loose", "finding", 0.97)
FOOT = ("foot_level", "finding", 0.95)
HEEL = ("heel_missing", "finding", 0.9)
CORNER = ("corner_rounded", "review", 0.5)
NAMES = ("bad", "calm", "Anna", "by", "lamplight")


@pytest.fixture
def run(tmp_path: Path) -> Run:
    """Two scrolls, of one of which a reader has decided."""
    made.page(tmp_path, "bad", made.glyphs(doubts={1: TAG, 31: FOOT, 32: HEEL, 33: CORNER}))
    made.page(tmp_path, "calm", made.glyphs())
    opened = made.scrolls(tmp_path, [{"name": n, "faces": [n]} for n in ("bad", "calm")])
    store = ReviewStore.open(opened.folder / "review.sqlite3", opened, audit_share=0.0)
    choices = {"tag_loose": "authority", "foot_level": "not_present", "heel_missing": "present"}
    for item in store.items("Anna"):
        if item.kind in choices:
            answer = Answer(item.id, choices[item.kind], item.version, None, "by lamplight")
            store.decide_many([answer], "Anna", blind=True)
    store.close()
    return open_run(opened.folder)


def pages(run: Run) -> dict[str, str]:
    folder = run.folder / "sheets"
    return {
        path.relative_to(folder).as_posix(): path.read_text(encoding="utf-8")
        for path in sorted(folder.rglob("*.html"))
    }


def test_no_english_sentence_is_left_and_english_comes_back(run: Run) -> None:
    assert main(["sheet", str(run.folder)]) == 0
    before = pages(run)
    assert not (run.folder / "view.json").exists()
    assert main(["sheet", str(run.folder), "--language", "he"]) == 0
    assert main(["sheet", str(run.folder), "--beside", "bad", "calm"]) == 0
    texts = pages(run)
    assert {"bad.html", "index.html", "teaching.html", "authority.html", "parchment.html",
            "owners/bad.html", "beside.html"} <= texts.keys()  # fmt: skip
    for name, html in texts.items():
        assert '<html lang="he" dir="rtl">' in html, name
        assert english_left(html, NAMES) == [], name
    assert json.loads((run.folder / "view.json").read_text()) == {
        "language": "he", "terms": "plain",
    }  # fmt: skip
    (run.folder / "sheets" / "beside.html").unlink()
    assert main(["sheet", str(run.folder), "--language", "en"]) == 0
    assert pages(run) == before


def test_the_choice_holds_for_later_sheets(run: Run) -> None:
    assert main(["sheet", str(run.folder), "--language", "he", "--terms", "trade"]) == 0
    first = pages(run)
    assert main(["sheet", str(run.folder)]) == 0
    assert pages(run) == first
    assert "לכתחילה)" in first["index.html"]


def test_names_stay_covered_in_hebrew(run: Run) -> None:
    """The letters of Names are red in these pictures, and nothing red may be seen."""
    assert main(["sheet", str(run.folder), "--language", "he"]) == 0
    for name, html in pages(run).items():
        assert made.FOUR not in html, name
        for picture in made.Document(html).pictures():
            red = (picture[..., 0] > 180) & (picture[..., 1:].max(axis=2) < 60)
            assert not red.any(), name


def test_english_headings_take_the_terms_of_the_trade(run: Run) -> None:
    assert main(["sheet", str(run.folder), "--terms", "trade"]) == 0
    html = pages(run)["index.html"]
    assert "(what is asked l&#39;chatchila)" in html
    assert '<html lang="en">' in html

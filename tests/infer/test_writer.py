"""Tables on disk: RFC 4180 and JSON as other programs read them, whole or not at all."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from pathlib import Path

import blocks
import pytest

from crownlet.datasets.scribal.texts import load_portion
from crownlet.infer.records import GLYPH_JUDGEMENTS, PageRecord, word_of_line
from crownlet.infer.run import write as writer

LINES = [" ".join(line) for line in load_portion("mezuzah").lines or ()]


@pytest.fixture(scope="module")
def record() -> PageRecord:
    networks = blocks.BlockNetworks({("ש", "tag_loose"): 0.99, ("ש", "tag_bare"): 0.97})
    image, _ = blocks.page(LINES, 14.0)
    return blocks.inspector(networks).inspect(image, "mezuzah", name="page one")


def test_glyph_table_follows_the_contract(record: PageRecord, tmp_path: Path) -> None:
    folder = writer.write_page(record, tmp_path)
    raw = (folder / "glyphs.csv").read_bytes()
    # RFC 4180: each record on a line of its own ended by CRLF, the header first (2.1 to 2.3).
    assert raw.count(b"\r\n") == raw.count(b"\n") == 714
    rows = list(csv.DictReader(raw.decode("utf-8").splitlines()))
    assert list(rows[0]) == [
        "glyph", "line", "word", "place", "letter", "letter_p", "expected", "x0", "y0", "x1", "y1",
        "q", "tags_seen", "tags_expected", *(f"p_{n}" for n in GLYPH_JUDGEMENTS), "route",
        "reasons", "not_examined", "cx", "cy", "body", "rotation", "divine_name", "sure", "habits",
        "word_on_page", "shared_doubts", "accepted_doubts",
    ]  # fmt: skip
    assert "".join(row["letter"] for row in rows) == load_portion("mezuzah").letters
    assert [int(row["glyph"]) for row in rows] == list(range(1, 714))
    # 170 words on the page, as below; in a line they begin anew.
    assert int(rows[-1]["word_on_page"]) == 170
    first = {row["line"]: row for row in reversed(rows)}
    assert {row["word"] for row in first.values()} == {"1"}
    assert [int(row["word"]) for row in rows] == [word_of_line(record, g) for g in record.glyphs]
    shin = next(row for row in rows if row["letter"] == "ש")
    assert shin["reasons"].split(";")[:1] == ["tag_loose"]
    assert "tag_bare" in shin["reasons"].split(";")
    assert shin["habits"] == "tag_missing"  # blocks have no crowns: a habit, no letter's reason
    assert shin["p_ring_open"] == ""  # a shin has no ring
    assert 0 < float(shin["letter_p"]) <= 1
    assert all(row["route"] in ("clear", "review", "finding") for row in rows)


def test_gap_table_follows_the_contract(record: PageRecord, tmp_path: Path) -> None:
    folder = writer.write_page(record, tmp_path)
    with (folder / "gaps.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0]) == [
        "line", "right_glyph", "left_glyph", "expected", "width_px", "width_q", "width_yud",
        "p_words_joined", "p_word_parted", "p_letters_touch", "route", "reasons", "sure",
    ]  # fmt: skip
    assert len(rows) == 713 - 22
    # 170 words in 22 lines leave 148 word gaps.
    assert sum(row["expected"] == "word" for row in rows) == 148
    assert all((row["p_words_joined"] == "") == (row["expected"] == "letter") for row in rows)


def test_page_json_says_what_was_and_was_not_done(record: PageRecord, tmp_path: Path) -> None:
    folder = writer.write_page(record, tmp_path)
    text = (folder / "page.json").read_text("utf-8")
    data = json.loads(text)
    assert data["schema"] == writer.RECORD_SCHEMA
    assert data["counts"]["letters"] == 713
    assert sum(data["counts"]["letters_by_route"].values()) == 713
    assert data["text"]["portion"] == "mezuzah"
    assert re.fullmatch(r"[0-9a-f]{64}", data["versions"]["customs"]["sha256"])
    assert data["versions"]["model"]["version"] == "blocks-1"
    seconds = json.loads((folder / "timing.json").read_text("utf-8"))["seconds"]
    assert {"read", "size", "locate", "assess", "layout", "align", "route"} <= set(seconds)
    message = " ".join(data["not_examined"])
    for unseen in ("ink", "parchment", "order of writing", "intention"):  # brief, 7.3, caution 6
        assert unseen in message
    for word in ("kosher", "pasul", "valid", "passed"):  # brief, 7.3, caution 1
        assert not re.search(rf"\b{word}\b", text)


def test_coco_results(record: PageRecord, tmp_path: Path) -> None:
    path = writer.write_page(record, tmp_path) / "predictions.coco.json"
    results = json.loads(path.read_text("utf-8"))
    assert len(results) == 713
    # COCO results format: bbox is [x, y, width, height].
    for row, glyph in zip(results, record.glyphs, strict=True):
        assert set(row) == {"image_id", "category_id", "bbox", "score"}
        assert row["bbox"][2] == pytest.approx(glyph.box[2] - glyph.box[0], abs=0.11)
        assert 1 <= row["category_id"] <= 27


def test_a_second_run_replaces_the_first(record: PageRecord, tmp_path: Path) -> None:
    folder = writer.write_page(record, tmp_path)
    (folder / "stray.txt").write_text("left over")
    writer.write_page(replace(record, glyphs=record.glyphs[:5]), tmp_path)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["page one"]
    assert len((folder / "glyphs.csv").read_text("utf-8").splitlines()) == 6
    assert not (folder / "stray.txt").exists()


def test_nothing_is_half_written(
    record: PageRecord, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer.write_page(record, tmp_path)
    before = {p.name: p.read_bytes() for p in (tmp_path / "page one").iterdir()}

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(writer, "write_json", full)
    with pytest.raises(OSError, match="No space left"):
        writer.write_page(replace(record, glyphs=()), tmp_path)
    assert {p.name: p.read_bytes() for p in (tmp_path / "page one").iterdir()} == before
    assert [p.name for p in tmp_path.iterdir()] == ["page one"]


def test_odd_names_are_quoted_as_the_rfc_asks(tmp_path: Path) -> None:
    writer.write_csv(tmp_path / "t.csv", ("a", "b"), [('x,"y"', "two\r\nlines"), ("", "שלום")])
    with (tmp_path / "t.csv").open(encoding="utf-8", newline="") as file:
        assert list(csv.reader(file)) == [["a", "b"], ['x,"y"', "two\r\nlines"], ["", "שלום"]]

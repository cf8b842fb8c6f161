"""A run read back is the run that was written, as far as its tables round."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path
from typing import get_args

import blocks
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from crownlet.datasets.files.atomic import write_csv
from crownlet.datasets.files.images import ImageFacts, PageError, read_page
from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.datasets.scribal.catalogue import GLYPH_DEFECTS
from crownlet.datasets.scribal.customs import load_customs
from crownlet.datasets.scribal.texts import load_portion
from crownlet.infer.findings.collect import collect_findings
from crownlet.infer.records import (
    GLYPH_JUDGEMENTS,
    AbsentLetter,
    DiscrepancyKind,
    GapRecord,
    GlyphRecord,
    Measurement,
    PageRecord,
    TextMatch,  # fmt: skip
    TextPlace,
)
from crownlet.infer.run import pictures as crops
from crownlet.infer.run import run as opening
from crownlet.infer.run.pictures import DARK_SKIN_LEVEL, brighten_dark
from crownlet.infer.run.read import read_record
from crownlet.infer.run.run import open_run
from crownlet.infer.run.tables import RunError
from crownlet.infer.run.write import write_page

odds = st.floats(0, 1).map(lambda v: round(v, 4))
lengths = st.floats(-50, 5000).map(lambda v: round(v, 1))
routes = st.sampled_from(("clear", "review", "finding"))
defects = st.lists(st.sampled_from(GLYPH_DEFECTS), max_size=3, unique=True).map(tuple)
words = st.text(st.characters(codec="utf-8", exclude_categories=("Cs",)), max_size=30)


@st.composite
def glyph_records(draw: st.DrawFn, number: int) -> GlyphRecord:
    box = tuple(draw(lengths) for _ in range(4))
    height = round(draw(st.floats(5, 300)), 2)
    body = (round(box[0], 2), round(box[1], 2), height, round(draw(st.floats(0, 359)), 2))
    return GlyphRecord(
        glyph=number, line=draw(st.integers(1, 60)), word=draw(st.integers(1, 900)),
        place=draw(st.integers(1, 12)), letter=draw(st.sampled_from(LETTERS)),
        letter_p=draw(odds), expected=draw(st.none() | st.just("") | st.sampled_from(LETTERS)),
        box=box, body=body, tags_seen=draw(st.integers(0, 4)),
        tags_expected=draw(st.none() | st.integers(0, 4)),
        p={name: draw(st.none() | odds) for name in GLYPH_JUDGEMENTS},
        route=draw(routes), reasons=draw(defects), in_name=draw(st.booleans()),
        not_examined=draw(defects), sure=draw(defects),
    )  # fmt: skip


@st.composite
def gap_records(draw: st.DrawFn) -> GapRecord:
    wide = st.floats(-3, 20).map(lambda v: round(v, 3))
    return GapRecord(
        line=draw(st.integers(1, 60)), right_glyph=draw(st.integers(1, 900)),
        left_glyph=draw(st.integers(1, 900)),
        expected=draw(st.sampled_from((None, "letter", "word"))), width_px=draw(lengths),
        width_q=draw(wide), width_yud=draw(wide), p_words_joined=draw(st.none() | odds),
        p_word_parted=draw(st.none() | odds), p_letters_touch=draw(st.none() | odds),
        route=draw(routes), reasons=draw(defects), sure=draw(defects),
    )  # fmt: skip


@st.composite
def matches(draw: st.DrawFn) -> TextMatch:
    absent = st.builds(
        AbsentLetter, letter=st.sampled_from(LETTERS), line=st.integers(1, 60),
        word=st.integers(1, 900), place=st.integers(1, 12), after=st.integers(0, 900),
        at=st.tuples(lengths, lengths), in_name=st.booleans(),
    )  # fmt: skip
    count = st.integers(0, 900)
    place = st.builds(
        TextPlace, mishap=st.sampled_from(get_args(DiscrepancyKind)), defect=words, letters=words,
        glyphs=st.lists(count, max_size=3).map(tuple), after=count, line=count, word=count,
        at=st.tuples(lengths, lengths), in_name=st.booleans(), sure=st.booleans(), message=words,
    )  # fmt: skip
    return TextMatch(
        draw(words), draw(count), draw(count), draw(count), draw(count),
        tuple(draw(st.lists(absent, max_size=2))), draw(words),
        tuple(draw(st.lists(place, max_size=2))), draw(st.none() | odds),
        tuple(draw(st.lists(words, max_size=2))),
    )  # fmt: skip


def measurements() -> st.SearchStrategy[Measurement]:
    fine = st.floats(-9, 9).map(lambda v: round(v, 3))
    return st.builds(
        Measurement, glyph=st.integers(1, 900), name=st.sampled_from(("leg_gap", "foot_drop")),
        q=fine, mm=st.none() | fine, start=st.tuples(lengths, lengths),
        end=st.tuples(lengths, lengths), defect=st.sampled_from(GLYPH_DEFECTS),
        claim=st.sampled_from(("there", "not_there", "unclear")),
    )  # fmt: skip


@st.composite
def page_records(draw: st.DrawFn) -> PageRecord:
    count = draw(st.integers(0, 4))
    return PageRecord(
        name="מזוזה one",
        image=ImageFacts(
            draw(words), draw(st.integers(17, 9000)), draw(st.integers(17, 9000)), "RGB", "PNG",
            draw(st.none() | st.floats(73, 1200)), draw(st.integers(1, 4)), "0" * 64,
        ),
        glyphs=tuple(draw(glyph_records(k + 1)) for k in range(count)),
        gaps=tuple(draw(st.lists(gap_records(), max_size=3))),
        match=draw(st.none() | matches()),
        turn=draw(st.sampled_from((0, 90, 180, 270))),
        quality=draw(st.dictionaries(words, st.floats(-9, 9), max_size=2)),
        unresolved=draw(defects),
        not_examined=tuple(draw(st.lists(words, max_size=2))),
        versions={"model": {"version": draw(words)}},
        timing={"read": round(draw(st.floats(0, 9)), 4)},
        measurements=tuple(draw(st.lists(measurements(), max_size=2))),
        notes=tuple(draw(st.lists(words, max_size=2))),
    )  # fmt: skip


@given(page=page_records())
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_what_is_read_is_what_was_written(
    page: PageRecord, tmp_path_factory: pytest.TempPathFactory
) -> None:
    run = tmp_path_factory.mktemp("run")
    write_page(page, run)
    # Every number above is drawn as the tables round it, so nothing at all may change.
    assert open_run(run).pages[page.name].record == page


def blank(name: str, path: str = "", sha256: str = "") -> PageRecord:
    p = dict.fromkeys(GLYPH_JUDGEMENTS)
    body = (60.0, 40.0, 48.0, 0.0)
    shin = GlyphRecord(1, 1, 1, 1, "ש", 0.9, None, (40.0, 40.0, 80.0, 88.0), body, 3, 3, p)
    return PageRecord(name, ImageFacts(path, 200, 120, "RGB", "PNG", None, 1, sha256), (shin,), (),
                      None, 0)  # fmt: skip


NEW_COLUMNS = (
    "cx",
    "cy",
    "body",
    "rotation",
    "divine_name",
    "sure",
    "shared_doubts",
    "accepted_doubts",
)
"""What schema 1 did not have."""


def test_a_run_of_schema_1_is_read_as_far_as_it_goes(tmp_path: Path) -> None:
    lines = [" ".join(line) for line in load_portion("mezuzah").lines or ()]
    image, placed = blocks.page(lines, 14.0)
    record = blocks.inspector(blocks.BlockNetworks()).inspect(image, "mezuzah", name="old")
    folder = write_page(record, tmp_path)
    with (folder / "glyphs.csv").open(encoding="utf-8", newline="") as file:
        rows = [{k: v for k, v in r.items() if k not in NEW_COLUMNS} for r in csv.DictReader(file)]
    write_csv(folder / "glyphs.csv", rows[0], (row.values() for row in rows))
    facts = json.loads((folder / "page.json").read_text("utf-8"))
    facts |= {"schema": 1}
    del facts["letters_extra"]
    (folder / "page.json").write_text(json.dumps(facts), "utf-8")
    for name in ("findings.csv", "measures.csv"):
        (folder / name).unlink()
    page = open_run(tmp_path).pages["old"]
    assert page.findings == page.measurements == ()
    assert [g.letter for g in page.record.glyphs] == [g.letter for g in record.glyphs]
    assert [g.expected for g in page.record.glyphs] == [g.expected for g in record.glyphs]
    # Blocks are all of one height, so that the guess can be held against where they were drawn.
    for old, new in zip(placed, page.record.glyphs, strict=True):
        assert new.body[:3] == pytest.approx(old.body, abs=1.5)


def test_a_run_whose_sentences_and_claims_have_their_older_name_is_the_same(tmp_path: Path) -> None:
    """Up to schema 2 messages and claims are called `says`."""
    lines = [" ".join(line) for line in load_portion("mezuzah").lines or ()]
    lines[3] = lines[3].rpartition(" ")[0]  # A word is absent: a finding.
    image, _ = blocks.page(lines, 14.0)
    record = blocks.inspector(blocks.BlockNetworks()).inspect(image, "mezuzah", name="old")
    tag = Measurement(1, "leg_gap", 0.25, None, (1.0, 2.0), (1.0, 6.5), "leg_touches_roof", "there")
    record = replace(record, measurements=(tag,))
    folder = write_page(record, tmp_path, collect_findings(record, load_customs()))
    written = open_run(tmp_path).pages["old"]
    findings = written.findings
    assert findings and written.record.measurements == (tag,)
    for name, column in (("findings.csv", "message"), ("measures.csv", "claim")):
        rows = (folder / name).read_text("utf-8").splitlines()
        assert rows[0].split(",")[-1] == column
        rows[0] = rows[0].removesuffix(column) + "says"
        (folder / name).write_text("\n".join(rows), "utf-8")
    facts = json.loads((folder / "page.json").read_text("utf-8"))
    for place in facts["text"]["places"]:
        place["says"] = place.pop("message")
    (folder / "page.json").write_text(json.dumps(facts), "utf-8")
    old = open_run(tmp_path).pages["old"]
    assert old.findings == findings
    assert old.record == written.record


@pytest.fixture
def scanned(tmp_path: Path) -> tuple[Path, Path]:
    """A run of one page in a folder with a space and a Hebrew name, and its scan."""
    scans = tmp_path / "עבודה one" / "scans"
    scans.mkdir(parents=True)
    scan = scans / "דף.png"
    Image.fromarray(np.random.default_rng(1).integers(0, 255, (120, 200, 3), np.uint8)).save(scan)
    run = scans.parent / "run"
    facts = read_page(scan).facts
    write_page(blank("דף", facts.path, facts.sha256), run)
    return run, scan


def test_pixels_are_those_of_the_picture(scanned: tuple[Path, Path]) -> None:
    run, scan = scanned
    page = open_run(run).pages["דף"]
    assert (page.pixels() == np.asarray(Image.open(scan))).all()
    # A run moved together with its scans is still whole.
    moved = run.parent.rename(run.parent.with_name("elsewhere"))
    assert open_run(moved / "run").pages["דף"].pixels().shape == (120, 200, 3)


@pytest.mark.parametrize("share", [1.0, 0.18])
def test_a_dark_picture_is_brightened_for_people_and_no_other(share: float) -> None:
    skin, ink = np.array([230, 215, 180]), np.array([40, 30, 30])
    page = np.tile(skin, (400, 300, 1))
    page[100:140, 50:200] = ink
    shown = brighten_dark((page * share).astype(np.uint8))
    if share == 1.0:
        assert (shown == page).all()
        return
    assert shown[0, 0].mean() > DARK_SKIN_LEVEL > shown[120, 100].mean()
    # One factor for all channels: the hue stays but for the rounding of dark levels.
    assert shown[0, 0] / shown[0, 0].sum() == pytest.approx(skin / skin.sum(), abs=0.01)


def test_a_changed_or_lost_picture_is_stated(scanned: tuple[Path, Path]) -> None:
    run, scan = scanned
    Image.new("RGB", (200, 120)).save(scan)
    with pytest.raises(PageError, match="has changed since it was inspected"):
        open_run(run).pages["דף"].pixels()
    scan.unlink()
    with pytest.raises(PageError, match="no longer there"):
        open_run(run).pages["דף"].pixels()


def test_another_picture_of_the_same_name_is_passed_over(scanned: tuple[Path, Path]) -> None:
    run, scan = scanned
    whole = np.asarray(Image.open(scan))
    # The run went elsewhere with its scans; where they lay, another picture has the same name.
    kept = run.parent / "kept" / "scans" / scan.name
    kept.parent.mkdir(parents=True)
    scan.rename(kept)
    moved = run.rename(run.parent / "kept" / "run")
    Image.new("RGB", (200, 120)).save(scan)
    assert (open_run(moved).pages["דף"].pixels() == whole).all()


def test_what_is_no_run_is_stated(scanned: tuple[Path, Path], tmp_path: Path) -> None:
    run, scan = scanned
    for path, words_ in (
        (tmp_path / "none", "no such run"), (scan, "is a file"), (scan.parent, "no inspected page"),
    ):  # fmt: skip
        with pytest.raises(RunError, match=words_):
            open_run(path)
    (run / "דף" / "page.json").write_text("{")
    with pytest.raises(RunError, match="cannot be read"):
        _ = open_run(run).pages["דף"].record
    write_page(replace(blank("דף"), name="דף"), run)
    table = run / "דף" / "glyphs.csv"
    table.write_bytes(table.read_bytes().replace("ש".encode(), b"X"))
    with pytest.raises(RunError, match="damaged"):
        _ = open_run(run).pages["דף"].record


def test_scrolls_gather_pages(tmp_path: Path) -> None:
    for name in ("a-face", "a-reverse", "b"):
        write_page(blank(name), tmp_path)
    listed = {"scrolls": [{"name": "a", "faces": ["a-face", "gone"], "reverses": ["a-reverse"],
                           "source": "north", "notes": ["n"]}]}  # fmt: skip
    (tmp_path / "scrolls.json").write_text(json.dumps(listed))
    run = open_run(tmp_path)
    assert [(s.name, s.faces, s.reverses, s.source) for s in run.scrolls] == [
        ("a", ("a-face",), ("a-reverse",), "north"), ("b", ("b",), (), None),
    ]  # fmt: skip
    assert run.scroll_of("a-reverse").notes == ("n",)
    (tmp_path / "scrolls.json").write_text('{"scrolls": 3}')
    with pytest.raises(RunError, match="no list of scrolls"):
        _ = open_run(tmp_path).scrolls


def test_a_run_of_a_hundred_pages_opens_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No page is read before it is used, and then once: reading takes 15 times as long as opening.
    This project's decision."""
    for number in range(100):
        write_page(blank(f"page {number}"), tmp_path)
    read: list[Path] = []

    def read_and_note(folder: Path) -> PageRecord:
        read.append(folder)
        return read_record(folder)

    monkeypatch.setattr(opening, "read_record", read_and_note)
    run = open_run(tmp_path)
    assert len(run.pages) == len(run.scrolls) == 100
    assert read == []
    for _ in range(2):
        assert all(page.record for page in run.pages.values())
        assert sorted(read) == [tmp_path / name for name in sorted(run.pages)]


@pytest.mark.parametrize(("q", "scale"), [(20.0, 1.0), (40.0, 0.5), (10.0, 2.0), (33.0, 20 / 33)])
@pytest.mark.parametrize("place", [(300.0, 200.0), (4.0, 596.0)])
def test_the_affine_says_where_a_point_lies(
    q: float, scale: float, place: tuple[float, float]
) -> None:
    """A square of 9 px drawn on the page is found on the crop where the affine puts it."""
    page = np.full((600, 800, 3), 255, np.uint8)
    x, y = (int(v) for v in place)
    page[y - 4 : y + 5, x - 4 : x + 5] = 0
    box = (x - 1.2 * q, y - 1.5 * q, x + 1.7 * q, y + 1.4 * q)
    window = crops.crop_window(page, box, q)
    assert window.pixels.shape == (180, 180, 3)
    assert window.affine.scale == pytest.approx(scale)  # a body of 3 q is 60 px high
    dark = 255.0 - window.pixels.min(axis=2).astype(float)
    dark[dark < 60] = 0.0  # what lies beyond the page is no ink
    rows, columns = np.indices(dark.shape) + 0.5  # middles of px
    seen = (dark * columns).sum() / dark.sum(), (dark * rows).sum() / dark.sum()
    middle = [float(np.mean([max(v - 4, 0), min(v + 5, end)])) for v, end in ((x, 800), (y, 600))]
    assert seen == pytest.approx(window.affine.point(*middle), abs=0.25)

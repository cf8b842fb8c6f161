"""Two things side by side as one picture; the layout is this project's own (no source)."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
import sheet_samples as made

from crownlet.infer.cli import main
from crownlet.infer.run.run import Run
from crownlet.infer.sheet.beside import (
    CROPS_PER_SIDE,
    BesideError,
    first_pair,
    parse_side,
    read_pair,
    render_beside,
    usual_letters,
    view_beside,
)
from crownlet.infer.sheet.loading import load_pages


@pytest.fixture
def run(tmp_path: Path) -> Run:
    for name in ("one-face", "one-reverse", "two"):
        made.page(tmp_path, name, made.glyphs())
    return made.scrolls(
        tmp_path,
        [
            {"name": "one", "faces": ["one-face"], "reverses": ["one-reverse"]},
            {"name": "two", "faces": ["two"]},
        ],
    )


def test_every_letter_of_both_is_shown_at_one_scale_and_no_name(run: Run) -> None:
    view = view_beside(run, *first_pair(run))
    outside = [g for g in made.glyphs() if not g.in_name]
    assert {row.letter for row in view.rows} == {g.letter for g in outside}
    for row in view.rows:
        there = sum(g.letter == row.letter for g in outside)
        assert len(row.crops) == 2 * min(CROPS_PER_SIDE, there)
        assert row.counts[0].startswith(str(there))
    assert len({(c.picture.width, c.picture.height) for r in view.rows for c in r.crops}) == 1
    html = render_beside(run, *first_pair(run))
    assert "one, face beside one, reverse" in html
    images = re.findall(r'href="(data:image/jpeg;base64,[^"]+)"', html)
    assert len(images) == sum(len(row.crops) for row in view.rows)
    assert not any(made.red(image).any() for image in made.Document(html).pictures())


def test_sides_are_named_as_a_person_would(run: Run) -> None:
    assert parse_side(run, "one:reverse").words == "one, reverse"
    assert parse_side(run, "two").words == "two"
    with pytest.raises(BesideError, match="did you mean 'two'"):
        parse_side(run, "twoo")
    with pytest.raises(BesideError, match="has no reverse"):
        parse_side(run, "two:reverse")
    left, right = read_pair(run, {"left": "two", "right": "one:face"})
    assert (left.name, right.name) == ("two", "one:face")
    assert [s.name for s in read_pair(run, {})] == ["one:face", "one:reverse"]


def test_the_usual_letters_are_those_of_the_median_width(run: Run) -> None:
    (page,) = load_pages(run, run.scrolls[1])
    letters = [(page, g) for g in page.veiled.record.glyphs if g.letter == "ה"]
    wide = letters[0][1]
    object.__setattr__(wide, "box", (*wide.box[:2], wide.box[0] + 200.0, wide.box[3]))
    assert wide not in [letter for _, letter in usual_letters(letters)]


def test_the_command_writes_a_page_and_one_picture(
    run: Run, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["sheet", str(run.folder), "--beside", "one", "two"]) == 0
    picture = run.folder / "sheets" / "beside.svg"
    root = ET.fromstring(picture.read_text(encoding="utf-8"))
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert (run.folder / "sheets" / "beside.html").is_file()
    assert not (run.folder / "sheets" / "index.html").exists()
    assert main(["sheet", str(run.folder), "--beside", "one", "three"]) == 2
    assert "no scroll is called 'three'" in capsys.readouterr().err

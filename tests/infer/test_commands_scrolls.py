"""`crownlet inspect` and scrolls: tables, later pages, progress, and a run that is stopped."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import blocks
import numpy as np
import pytest
from PIL import Image

from crownlet.datasets.scribal.texts import load_portion
from crownlet.infer import cli, inspector
from crownlet.infer.batch import worker as working
from crownlet.infer.run.run import open_run

FACE = [" ".join(line) for line in (load_portion("mezuzah").lines or ())[:8]]
BEHIND, NAME = (" ".join(line) for line in load_portion("mezuzah_reverse").lines or ())
BACK = [BEHIND, "", "", "", "", NAME]
"""The Name stands behind the gap after line 6 (Keset HaSofer 27:7)."""


@pytest.fixture(autouse=True)
def reader(monkeypatch: pytest.MonkeyPatch) -> None:
    """Block letters, to whose reader their sizes are no surprise."""
    familiar = blocks.inspector(blocks.BlockNetworks()).thresholds
    monkeypatch.setattr(inspector, "OnnxNetworks", lambda folder: blocks.BlockNetworks())
    monkeypatch.setattr(inspector, "load_thresholds", lambda folder: familiar)


def scan(path: Path, lines: list[str], turn: int = 0) -> Path:
    """A page of block letters; the reverse's first line upside down, as the custom is."""
    image, placed = blocks.page(lines, 18.0, margin=6.0)
    if lines == BACK:
        first = [letter.box for letter in placed if letter.line == 0]
        x0, y0 = (round(min(box[k] for box in first)) for k in (0, 1))
        x1, y1 = (round(max(box[k] for box in first)) for k in (2, 3))
        image[y0:y1, x0:x1] = image[y0:y1, x0:x1][::-1, ::-1]
    Image.fromarray(np.rot90(image, -turn // 90)).save(path)
    return path


def inspect(run: Path, *arguments: str | Path) -> int:
    return cli.main(["inspect", *map(str, arguments), "--out", str(run)])


def listed(run: Path) -> dict[str, dict[str, Any]]:
    data = json.loads((run / "scrolls.json").read_text(encoding="utf-8"))
    return {scroll["name"]: scroll for scroll in data["scrolls"]}


def portion_of(run: Path, page: str) -> str:
    match = open_run(run).pages[page].record.match
    assert match is not None
    return match.portion


def test_names_make_scrolls_and_the_reverse_has_its_own_text(tmp_path: Path) -> None:
    pages = [scan(tmp_path / "א 1-face.png", FACE), scan(tmp_path / "א 1_reverse.png", BACK)]
    run = tmp_path / "my run"
    assert inspect(run, *pages, "--portion", "mezuzah") == 0
    (scroll,) = listed(run).values()
    assert (scroll["name"], scroll["faces"], scroll["reverses"]) == (
        "א 1", ["א 1-face"], ["א 1_reverse"],
    )  # fmt: skip
    assert portion_of(run, "א 1-face") == "mezuzah"
    assert portion_of(run, "א 1_reverse") == "mezuzah_reverse"
    both = [letter for letter in load_portion("mezuzah_reverse").letters if letter in "".join(FACE)]
    assert len(both) == 16  # No samech stands in the first eight lines.
    assert scroll["comparison"]["reverse_letters"] == 16
    assert open_run(run).scroll_of("א 1-face").reverses == ("א 1_reverse",)


def test_a_table_names_scrolls_and_sources_and_is_kept_for_later(tmp_path: Path) -> None:
    one, two = scan(tmp_path / "x.png", FACE), scan(tmp_path / "y.png", BACK)
    table = tmp_path / "table.csv"
    table.write_text("scan,scroll,side,source\nx.png,S1,face,north\ny.png,S1,reverse,north\n")
    run = tmp_path / "run"
    assert inspect(run, one, "--scrolls", table, "--portion", "mezuzah") == 0
    assert listed(run)["S1"]["reverses"] == []
    assert inspect(run, two, "--scrolls", table, "--portion", "mezuzah") == 0
    (scroll,) = listed(run).values()
    assert (scroll["faces"], scroll["reverses"], scroll["source"]) == (["x"], ["y"], "north")
    assert inspect(run, one, "--portion", "mezuzah") == 0
    assert listed(run) == {"S1": scroll}


def test_pages_that_the_table_does_not_name_are_stated(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pages = [scan(tmp_path / f"{name}.png", FACE) for name in ("x", "b-face")]
    table = tmp_path / "table.csv"
    table.write_text("scan,scroll,side\nx.png,S1,face\n")
    assert inspect(tmp_path / "run", *pages, "--scrolls", table) == 0
    assert f"Not in {table}, so placed by name: b-face." in capsys.readouterr().out
    assert list(listed(tmp_path / "run")) == ["b", "S1"]


def test_pages_inspected_apart_make_the_same_list(tmp_path: Path) -> None:
    pages = [scan(tmp_path / "a-face.png", FACE), scan(tmp_path / "a-reverse.png", BACK)]
    pages.append(scan(tmp_path / "b-face.png", FACE[::-1]))
    together, apart = tmp_path / "together", tmp_path / "apart"
    assert inspect(together, *pages, "--portion", "mezuzah") == 0
    for page in pages:
        assert inspect(apart, page, "--portion", "mezuzah") == 0
    a, b = listed(together)["a"], listed(apart)["a"]
    assert a["comparison"]["forms"] == b["comparison"]["forms"]
    assert [s["faces"] for s in listed(together).values()] == [["a-face"], ["b-face"]]
    assert list(listed(apart)) == list(listed(together))


def test_a_wrong_table_stops_before_any_page(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page, table, run = scan(tmp_path / "x.png", FACE), tmp_path / "table.csv", tmp_path / "run"
    table.write_text("scan,scroll,side\nx.png,S1,back\n")
    assert inspect(run, page, "--scrolls", table) == 2
    output = capsys.readouterr().err
    assert f"{table}: line 2, column side: 'back' is neither face nor reverse." in output
    assert output.count("\n") == 1
    assert not run.exists()


def test_mixed_up_sides_and_turned_pictures_are_stated_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pages = [
        scan(tmp_path / "a-face.png", BACK), scan(tmp_path / "a-reverse.png", FACE, turn=180),
        scan(tmp_path / "b-reverse.png", BACK, turn=180),
    ]  # fmt: skip
    run = tmp_path / "run"
    assert inspect(run, *pages, "--portion", "mezuzah") == 0
    out = capsys.readouterr().out
    assert "Given as a face, this page reads as the reverse of a mezuzah" in out
    assert "Given as a reverse, this page reads as a face" in out
    assert out.count("The picture stands upside down; it was turned before it was read.") == 2
    scroll = listed(run)["a"]
    assert (scroll["faces"], scroll["reverses"]) == (["a-reverse"], ["a-face"])
    # The fourth says which part of the text the eight lines show.
    assert len(scroll["notes"]) == 4
    page = json.loads((run / "b-reverse" / "page.json").read_text(encoding="utf-8"))
    assert page["notes"] == ["The picture stands upside down; it was turned before it was read."]
    assert page["image"]["turn"] == 180
    assert "".join(g.letter for g in open_run(run).pages["b-reverse"].record.glyphs) == (
        load_portion("mezuzah_reverse").letters
    )


def test_a_page_of_another_text_has_one_sentence_and_no_findings_of_text(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page, run = scan(tmp_path / "x.png", FACE), tmp_path / "run"
    assert inspect(run, page, "--portion", "kadesh") == 0
    assert "do not belong together" in capsys.readouterr().out
    record = open_run(run).pages["x"].record
    assert not [g for g in record.glyphs if {"letter_swapped", "letter_extra"} & set(g.reasons)]
    assert record.match is not None
    assert record.match.absent == ()


def test_pages_finished_before_a_stop_make_scrolls(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pages = [scan(tmp_path / f"{name}-face.png", FACE) for name in "abc"]
    write = working.write_page

    def stopping(record: Any, out: Path, findings: Any) -> Path:
        if record.name == "c-face":
            raise KeyboardInterrupt
        return write(record, out, findings)

    monkeypatch.setattr(working, "write_page", stopping)
    assert inspect(tmp_path / "run", *pages) == 130
    assert list(listed(tmp_path / "run")) == ["a", "b"]


def test_progress_counts_pages_and_tells_the_time_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    pages = [scan(tmp_path / f"{name}.png", FACE) for name in "vwxyz"]
    clock = iter(range(0, 100_000, 30))
    monkeypatch.setattr(working.time, "perf_counter", lambda: float(next(clock)))
    assert inspect(tmp_path / "run", *pages) == 0
    lines = [line for line in capsys.readouterr().out.splitlines() if line.startswith("[")]
    assert [line.partition("]")[0] for line in lines] == [f"[{k}/5" for k in range(1, 6)]
    assert ["min left" in line for line in lines] == [False, False, True, True, False]


def test_a_list_that_cannot_be_read_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page, run = scan(tmp_path / "x.png", FACE), tmp_path / "run"
    run.mkdir()
    (run / "scrolls.json").write_text("{}")
    assert inspect(run, page) == 2
    assert f"{run / 'scrolls.json'}: is no list of scrolls" in capsys.readouterr().err

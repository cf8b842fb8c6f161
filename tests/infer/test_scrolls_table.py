"""The table of scrolls and the grouping of pages: what is wrong is named by line and column."""

from __future__ import annotations

from pathlib import Path

import pytest

from crownlet.infer.scrolls import members as grouping
from crownlet.infer.scrolls.members import (
    PagePlace,
    ScrollRow,
    ScrollTable,
    ScrollTableError,
    place_by_name,
    place_pages,
    read_scroll_table,
)


def table(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    path = folder / "scrolls.csv"
    path.write_bytes(text.encode(encoding))
    return path


@pytest.mark.parametrize("divider", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_a_table_as_spreadsheets_write_it(tmp_path: Path, divider: str, end: str) -> None:
    # RFC 4180: quotes around cells with dividers or line ends, doubled inside; CRLF between rows.
    rows = [
        ["scan", "scroll", "side", "source"],
        ["מזוזה 1.png", "א1", "Face", '"north, ""old"""'],
        ["", "", "", ""],
        ["b.png", "b", "reverse", ""],
    ]
    quoted = [divider.join(row) for row in rows]
    read = read_scroll_table(table(tmp_path, end.join(quoted) + end, "utf-8-sig")).rows
    assert [(r.line, r.scan, r.scroll, r.side, r.source) for r in read] == [
        (2, "מזוזה 1.png", "א1", "face", 'north, "old"'), (4, "b.png", "b", "reverse", None),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("", ("line 1", "scan")),
        ("scan,scroll\na,b\n", ("line 1", "side")),
        ("scan,scroll,side,colour\n", ("line 1", "column 4", "colour")),
        ("scan,scroll,side,scan\n", ("line 1", "column 4", "twice")),
        ("scan,scroll,side\n", ("no rows",)),
        ("scan,scroll,side\na.png,a,face\nb.png,,face\n", ("line 3", "column scroll", "empty")),
        ("scan,scroll,side\na.png,a,back\n", ("line 2", "column side", "'back'")),
        ("scan,scroll,side\na.png,a\n", ("line 2", "2 cells", "3")),
        ("scan,scroll,side\na.png,../a,face\n", ("line 2", "column scroll", "'/'")),
        ("scan,scroll,side\na.png,.a,face\n", ("line 2", "column scroll", "dot")),
        ("scan,scroll,side\na.png,a,face\na.png,b,face\n", ("line 3", "column scan", "line 2")),
        (
            "scan,scroll,side,source\na.png,a,face,N\nb.png,a,reverse,S\n",
            ("line 3", "column source", "line 2"),
        ),
        ('scan,scroll,side\n"a.png,a,face\n', ("line 2",)),
    ],
)
def test_wrong_tables_are_stated_by_line_and_column(
    tmp_path: Path, text: str, named: tuple[str, ...]
) -> None:
    path = table(tmp_path, text)
    with pytest.raises(ScrollTableError) as caught:
        read_scroll_table(path)
    statement = str(caught.value)
    assert statement.startswith(f"{path}: ")
    assert "\n" not in statement
    assert [word for word in named if word not in statement] == []


def test_no_table_at_all(tmp_path: Path) -> None:
    for path in (tmp_path / "gone.csv", tmp_path):
        with pytest.raises(ScrollTableError, match="file"):
            read_scroll_table(path)
    with pytest.raises(ScrollTableError, match="UTF-8"):
        read_scroll_table(table(tmp_path, "scan,scroll,side\nמ,a,face\n", "cp1255"))


@pytest.mark.parametrize(
    ("name", "scroll", "side"),
    [
        ("a1-face", "a1", "face"),
        ("a1_reverse", "a1", "reverse"),
        ("A 1 Reverse", "A 1", "reverse"),
        ("מזוזה-face", "מזוזה", "face"),
        ("b-face-2", "b", "face"),
        ("surface", "surface", None),
        ("face", "face", None),
        ("-face", "-face", None),
        ("reverse-engine", "reverse-engine", None),
    ],
)
def test_names_tell_the_side(name: str, scroll: str, side: str | None) -> None:
    assert place_by_name(name, f"/scans/{name}.png") == PagePlace(name, scroll, side)  # type: ignore[arg-type]


def test_pages_of_two_folders_are_two_scrolls() -> None:
    # `inspect` calls the second `a1-face` `a1-face-png`: its folder tells it from the first.
    pages = [("a1-face", "one/a1-face.png"), ("a1-face-png", "two/a1-face.png")]
    assert [p.scroll for p in place_pages(pages)] == ["a1", "two-a1"]


def test_the_table_goes_before_what_was_said_and_that_before_the_name(tmp_path: Path) -> None:
    rows = read_scroll_table(table(tmp_path, "scan,scroll,side,source\nx.png,s,reverse,N\n"))
    pages = [("x", "in/x.png"), ("a-face", "in/a-face.png"), ("y", "in/y.png")]
    earlier = {"x": PagePlace("x", "old", "face"), "y": PagePlace("y", "old", "face")}
    assert place_pages(pages, rows, earlier) == (
        PagePlace("x", "s", "reverse", "N"), PagePlace("a-face", "a", "face"),
        PagePlace("y", "old", "face"),
    )  # fmt: skip


def test_a_row_that_means_two_pages_asks_for_the_folder(tmp_path: Path) -> None:
    pages = [("x", "one/x.png"), ("x-png", "two/x.png")]
    short = read_scroll_table(table(tmp_path, "scan,scroll,side\nx.png,s,face\n"))
    with pytest.raises(ScrollTableError, match=r"line 2, column scan: .*folder"):
        place_pages(pages, short)
    full = read_scroll_table(table(tmp_path, "scan,scroll,side\ntwo/x.png,s,face\n"))
    assert [p.scroll for p in place_pages(pages, full)] == ["x", "s"]
    doubled = read_scroll_table(
        table(tmp_path, "scan,scroll,side\ntwo/x.png,s,face\nx-png,t,face\n")
    )
    with pytest.raises(ScrollTableError, match=r"line 3, column scan: .*line 2"):
        place_pages(pages, doubled)


def test_names_in_either_unicode_form_are_one(tmp_path: Path) -> None:
    # One file system stores e + acute as two code points, another as one (Unicode, annex 15).
    rows = read_scroll_table(table(tmp_path, "scan,scroll,side\ne\u0301.png,s,face\n"))
    assert place_pages([("\u00e9", "in/\u00e9.png")], rows)[0].scroll == "s"


def test_a_long_table_is_not_held_against_every_page(monkeypatch: pytest.MonkeyPatch) -> None:
    pages = [(f"s{n}", f"/scans/box{n % 7}/s{n}.tif") for n in range(2000)]
    rows = [ScrollRow(n + 2, f"box{n % 7}/s{n}", f"scroll{n}", "face", None) for n in range(2000)]
    compared = []
    means = grouping._is_page
    monkeypatch.setattr(grouping, "_is_page", lambda *of: compared.append(of) or means(*of))
    places = place_pages(pages, ScrollTable("t.csv", tuple(rows)))
    assert [place.scroll for place in places] == [row.scroll for row in rows]
    assert len(compared) == len(rows)

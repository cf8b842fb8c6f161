"""Reading portions by name and from the user's files; the counts are in tests/outside."""

from __future__ import annotations

from pathlib import Path

import pytest

from crownlet.datasets.scribal.texts import PORTIONS, load_portion, read_portion


@pytest.mark.parametrize("name", PORTIONS)
def test_lines_hold_the_words(name: str) -> None:
    text = load_portion(name)
    assert text.name == name
    if text.lines is not None:
        assert sum(text.lines, ()) == text.words


def test_unknown_name_is_refused() -> None:
    with pytest.raises(KeyError, match="mezuzah"):
        load_portion("mezuza")


@pytest.mark.parametrize("name", PORTIONS)
def test_a_portion_written_to_a_file_reads_the_same(name: str, tmp_path: Path) -> None:
    text = load_portion(name)
    lines = list(text.lines or (text.words,))
    rows = []
    for i, line in enumerate(lines):
        if sum(len(before) for before in lines[:i]) in text.opens:
            rows.append("")
        rows.append(" ".join(line))
    path = tmp_path / f"{name}.txt"
    path.write_text("\n".join(rows) + "\n\n", encoding="utf-8")
    read = read_portion(path)
    assert (read.name, read.words, read.lines) == (name, text.words, tuple(lines))
    assert (read.name_words, read.opens) == (text.name_words, text.opens)


def test_a_name_wins_over_a_file_and_a_path_may_be_a_string(tmp_path: Path) -> None:
    path = tmp_path / "own.txt"
    path.write_bytes("\ufeffבראשית ברא\r\nאת".encode())
    assert read_portion("shema") is load_portion("shema")
    assert read_portion(str(path)).lines == (("בראשית", "ברא"), ("את",))


def test_prefix_of_a_name_is_not_of_it(tmp_path: Path) -> None:
    # Keset HaSofer 11:7: what precedes the Name in its word does not share its holiness
    path = tmp_path / "own.txt"
    path.write_text("חג ל" + load_portion("mezuzah").words[2], encoding="utf-8")
    text = read_portion(path)
    assert text.name_words == {1}
    assert text.name_letters == {3, 4, 5, 6}


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("שמע\nישראל!".encode(), r"line 2, column 6: U\+0021"),
        ("שְמע".encode(), r"line 1, column 2: U\+05B0"),
        (b"hello", r"line 1, column 1: U\+0068"),
        ("שמע".encode("cp1255"), "not UTF-8"),
        (b"", "holds no letters"),
        (b" \n\n", "holds no letters"),
        (b"\x00", r"U\+0000"),
    ],
)
def test_a_file_that_is_no_portion(content: bytes, message: str, tmp_path: Path) -> None:
    path = tmp_path / "bad.txt"
    path.write_bytes(content)
    with pytest.raises(ValueError, match=message) as raised:
        read_portion(path)
    assert str(path) in str(raised.value)


def test_neither_name_nor_file(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"'scroll' is neither a portion \(mezuzah, "):
        read_portion("scroll")
    with pytest.raises(ValueError, match="nor a text file"):
        read_portion(tmp_path)


def test_too_large_a_file(tmp_path: Path) -> None:
    path = tmp_path / "huge.txt"
    with path.open("wb") as file:
        file.truncate(9 * 1024 * 1024)
    with pytest.raises(ValueError, match="too large"):
        read_portion(path)


@pytest.mark.parametrize("name", ["mezuza", "Mezuzah", "mezzuzah"])
def test_a_misspelt_portion_is_asked_back(name: str) -> None:
    # Python's difflib finds the near name; the wording is this project's own.
    with pytest.raises(ValueError, match=f"no portion '{name}'; did you mean 'mezuzah'"):
        read_portion(name)

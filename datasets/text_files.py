"""A text of the user's own, from a UTF-8 file whose lines are the written lines."""

from __future__ import annotations

from pathlib import Path

from crownlet.datasets.alphabet import BY_CHAR

Lines = tuple[tuple[str, ...], ...]

MAX_BYTES = 8 * 1024 * 1024
"""Largest text file read: the whole Torah, 304,805 letters, is about 700 kB."""


def read_lines(path: Path) -> Lines:
    """The words of a file by line; ValueError, in one sentence, if it holds more than letters."""
    rows = _read_text(path).splitlines()
    for number, row in enumerate(rows, start=1):
        _check_row(path, number, row)
    lines = tuple(tuple(row.split()) for row in rows)
    if not any(lines):
        raise ValueError(f"{path} holds no letters")
    return lines


def _read_text(path: Path) -> str:
    if path.stat().st_size > MAX_BYTES:
        raise ValueError(f"{path} is larger than {MAX_BYTES // 2**20} MiB, too large for a portion")
    try:
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ValueError(f"{path} is not UTF-8 text (byte {error.start})") from None


def _check_row(path: Path, number: int, row: str) -> None:
    for column, char in enumerate(row, start=1):
        if char not in BY_CHAR and char not in " \t":
            raise ValueError(
                f"{path}, line {number}, column {column}: U+{ord(char):04X} is not one of the 27 "
                "letters (points, accents and signs must be taken out)"
            )

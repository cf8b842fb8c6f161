"""Letter error rate on photographs, by alignment with their transcriptions.

The photographs are looked at and measured on, never trained on; they are no part of the project.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Protocol

import numpy as np

from crownlet.datasets.scribal.portion import Portion
from crownlet.train.evaluation.matching import LetterErrors
from crownlet.train.evaluation.transcription import (
    LineAlignment,
    TranscribedLine,
    align_line,
    parse_line,
)

TRANSCRIPTIONS_FILE = "transcriptions.tsv"

_MAX_PARTS_OF_LINE = 3
"""Parts into which a line may have fallen and still be taken for one."""


class ReadLetter(Protocol):
    """What scoring needs of a letter read; `infer.records.GlyphRecord` has it."""

    @property
    def letter(self) -> str:
        """One of the 27."""

    @property
    def line(self) -> int:
        """Number of its line."""

    @property
    def q(self) -> float:
        """Pen width in px."""


PhotoReader = Callable[[Path], Sequence[ReadLetter]]
"""Reads a picture: its letters in reading order."""


@dataclass(frozen=True)
class PhotoResult:
    """How one photograph was read."""

    photo: str
    errors: LetterErrors
    lines: tuple[tuple[str, str, int], ...]
    """Letters that count, letters read there, errors; for each line."""
    body_px: float | None
    """Median body height as read, px."""


@dataclass(frozen=True)
class PhotoReport:
    """All photographs."""

    photos: tuple[PhotoResult, ...]

    @property
    def errors(self) -> LetterErrors:
        """Errors over all photographs."""
        return sum((photo.errors for photo in self.photos), LetterErrors())


def load_transcriptions(folder: Path) -> dict[str, list[TranscribedLine]]:
    """Lines of each photograph from `folder`/transcriptions.tsv, top to bottom.

    Raises:
        FileNotFoundError: there is no such table.
        ValueError: a line does not parse or holds another number of whole letters than stated.
    """
    photos: dict[str, list[TranscribedLine]] = {}
    for row in _read_rows(folder):
        line = parse_line(row["text"])
        if len(line.letters) != int(row["whole_letters"]):
            raise ValueError(
                f"{folder / TRANSCRIPTIONS_FILE}: {row['photo']} line {row['line']} has "
                f"{len(line.letters)} whole letters, not {row['whole_letters']}"
            )
        photos.setdefault(row["photo"], []).append(line)
    return photos


def load_texts(folder: Path) -> dict[str, Portion]:
    """The words of each photograph, those cut off at its sides as far as they are transcribed.

    Errors as `load_transcriptions`.
    """
    load_transcriptions(folder)
    words: dict[str, list[str]] = {}
    for row in _read_rows(folder):
        plain = row["text"].removeprefix("^").replace("[", "").replace("]", "")
        words.setdefault(row["photo"], []).extend(plain.replace("...", " ").split())
    return {
        photo: Portion("its own text", tuple(written), None, frozenset())
        for photo, written in words.items()
    }


def _read_rows(folder: Path) -> list[dict[str, str]]:
    """The table of transcriptions, by photograph and line; FileNotFoundError without one."""
    path = folder / TRANSCRIPTIONS_FILE
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file, delimiter="\t", quoting=csv.QUOTE_NONE))
    return sorted(rows, key=lambda row: (row["photo"], int(row["line"])))


def measure_photographs(folder: Path, read: PhotoReader) -> PhotoReport:
    """Read every transcribed photograph of `folder` and count the errors."""
    results = []
    for photo, lines in load_transcriptions(folder).items():
        letters = read(folder / photo)
        found = score_lines(lines, letters_by_line(letters))
        body = float(np.median([3 * letter.q for letter in letters])) if letters else None
        results.append(PhotoResult(photo, found[0], found[1], body))
    return PhotoReport(tuple(results))


def letters_by_line(letters: Iterable[ReadLetter]) -> list[str]:
    """The letters read, line by line."""
    lines = groupby(letters, key=lambda letter: letter.line)
    return ["".join(letter.letter for letter in line) for _, line in lines]


def score_lines(
    lines: Sequence[TranscribedLine], read: Sequence[str]
) -> tuple[LetterErrors, tuple[tuple[str, str, int], ...]]:
    """Align the lines read to the transcribed ones, in order, at the least number of errors.

    A transcribed line takes none, one, or up to three successive lines read (a line that fell
    apart). A line read that goes with none is spurious letter by letter. What is aligned to a
    line that does not count costs nothing.
    """
    best = _align_lines(lines, read)
    errors, rows = LetterErrors(), []
    i, j = len(lines), len(read)
    while i or j:
        taken = best[i][j][1]
        if taken < 0:
            j -= 1
            alignment = align_line((), read[j])
            rows.append(("", read[j], alignment.cost))
        else:
            i, j = i - 1, j - taken
            text = "".join(read[j : j + taken])
            if not lines[i].counts:
                continue
            alignment = align_line(lines[i].tokens, text)
            rows.append((lines[i].letters, text, alignment.cost))
        errors = errors + alignment.errors()
    return errors, tuple(reversed(rows))


def _align_lines(
    lines: Sequence[TranscribedLine], read: Sequence[str]
) -> list[list[tuple[float, int]]]:
    """Table of (cost, lines read that the last transcribed line takes; -1: the last is loose)."""
    table: list[list[tuple[float, int]]] = []
    for i in range(len(lines) + 1):
        row: list[tuple[float, int]] = []
        for j in range(len(read) + 1):
            choices = [(0.0, 0)] if i == j == 0 else []
            if j:
                choices.append((row[j - 1][0] + len(read[j - 1]), -1))
            if i:
                choices.extend(
                    (table[i - 1][j - n][0] + _line_cost(lines[i - 1], read[j - n : j]), n)
                    for n in range(min(_MAX_PARTS_OF_LINE, j) + 1)
                )
            row.append(min(choices))
        table.append(row)
    return table


def _line_cost(line: TranscribedLine, read: Sequence[str]) -> float:
    alignment: LineAlignment = align_line(line.tokens, "".join(read))
    # Lines that do not count decide only between alignments of equal errors.
    return alignment.cost if line.counts else 1e-3 * alignment.cost

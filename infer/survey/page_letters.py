"""The letters of one surveyed page as columns, without building its whole record."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from crownlet.datasets.scribal.catalogue import GLYPH_DEFECTS
from crownlet.infer.run.tables import (
    RECORD_ERRORS,
    Json,
    RunError,
    cause_of,
    read_json,
    read_table,
)

if TYPE_CHECKING:
    from crownlet.infer.survey.estimators import Ints
    from crownlet.infer.survey.intervals import Floats

_ROW_OF_DEFECT = {name: row for row, name in enumerate(GLYPH_DEFECTS)}


@dataclass(frozen=True)
class PageLetters:
    """The letters of a page in reading order."""

    page: str
    letter: NDArray[np.str_]
    """(letters,), as read."""
    glyph: Ints
    """(letters,), from 1."""
    predicted: Floats
    """(defects, letters), rows as `GLYPH_DEFECTS`; NaN where the letter cannot have the defect or
    was not examined for it."""
    found: NDArray[np.bool_]
    """(defects, letters): whether the defect is listed as a finding; forms that the customs accept
    are not."""
    has_finding: NDArray[np.bool_]
    """(letters,): whether the letter is listed as a finding of any defect."""
    facts: Json
    """page.json."""


def read_page_letters(folder: Path, picture: str) -> PageLetters:
    """Read a page's folder; RunError if it cannot be read or is not of that picture (SHA-256).

    `picture` is the checksum that the survey recorded.
    """
    facts, table = read_json(folder / "page.json"), read_table(folder / "glyphs.csv")
    try:
        if facts["image"]["sha256"] != picture:
            raise RunError(folder, "was inspected outside the survey; run the survey again.")
        rows = [table.maybe(f"p_{name}") for name in GLYPH_DEFECTS]
        predicted = np.array(rows, dtype=np.float64)  # None becomes NaN.
        glyph = np.fromiter(table.whole("glyph"), dtype=np.int64)
        if not np.array_equal(glyph, np.arange(1, len(glyph) + 1)):
            raise ValueError("the letters are not numbered one after another")
        if np.any((predicted < 0) | (predicted > 1)):
            raise ValueError("a probability lies outside 0 to 1")
        for k, names in enumerate(table.names("not_examined")):
            for name in set(names) & _ROW_OF_DEFECT.keys():
                predicted[_ROW_OF_DEFECT[name], k] = np.nan
        for name in _ROW_OF_DEFECT.keys() & set(facts["not_resolved"]):
            predicted[_ROW_OF_DEFECT[name]] = np.nan
        found = np.zeros(predicted.shape, dtype=np.bool_)
        listed = _read_listed(folder)
        routes = table.text("route")
        for k, names in enumerate(table.names("sure")):
            seen = set(names) if routes[k] == "finding" else set()
            for name in seen & _ROW_OF_DEFECT.keys():
                found[_ROW_OF_DEFECT[name], k] = listed is None or (k + 1, name) in listed
        return PageLetters(
            folder.name, np.array(table.text("letter"), dtype=np.str_),
            glyph, predicted, found,
            np.asarray(found.any(axis=0)), facts,
        )  # fmt: skip
    except RunError:
        raise
    except RECORD_ERRORS as error:
        raise RunError(folder, f"its tables are damaged ({cause_of(error)}).") from None


@contextmanager
def name_record(folder: Path, page: str) -> Iterator[None]:
    """While the block reads a page's record: RunError with its file for what it holds wrongly."""
    try:
        yield
    except RECORD_ERRORS as error:
        path = folder / page / "page.json"
        raise RunError(path, f"is damaged ({cause_of(error)}).") from None


def _read_listed(folder: Path) -> set[tuple[int, str]] | None:
    """Letters and kinds that findings.csv names; None in runs of versions that wrote none."""
    if not (folder / "findings.csv").is_file():
        return None
    table = read_table(folder / "findings.csv")
    rows = zip(table.names("glyphs"), table.text("kind"), table.names("others"), strict=True)
    return {
        (int(glyph), name) for glyphs, kind, others in rows for glyph in glyphs
        for name in (kind, *others)
    }  # fmt: skip


def list_examined(page: PageLetters, defect: str) -> list[tuple[int, str]]:
    """Number and letter of each letter that can have a defect and was examined for it."""
    examined = ~np.isnan(page.predicted[_ROW_OF_DEFECT[defect]])
    return list(zip(page.glyph[examined].tolist(), page.letter[examined].tolist(), strict=True))

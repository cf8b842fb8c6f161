"""The letters of one surveyed page as columns, without building its whole record."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from crownlet.datasets.catalogue import GLYPH_DEFECTS
from crownlet.infer.run.tables import Json, RunError, read_json, read_table

if TYPE_CHECKING:
    from crownlet.infer.survey.estimators import Ints
    from crownlet.infer.survey.likeness import Floats

_PLACE = {name: place for place, name in enumerate(GLYPH_DEFECTS)}


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
    """(defects, letters): whether it is a finding."""
    marked: NDArray[np.bool_]
    """(letters,): whether the letter is a finding for any reason."""
    facts: Json
    """page.json."""


def read_letters(folder: Path, picture: str) -> PageLetters:
    """Read a page's folder; RunError if it cannot be read or is not of that picture (SHA-256)."""
    facts, table = read_json(folder / "page.json"), read_table(folder / "glyphs.csv")
    try:
        if facts["image"]["sha256"] != picture:
            raise RunError(folder, "was inspected outside the survey; run the survey again.")
        rows = [table.maybe(f"p_{name}") for name in GLYPH_DEFECTS]
        predicted = np.array(rows, dtype=np.float64)  # None becomes NaN.
        for k, names in enumerate(table.names("not_examined")):
            for name in set(names) & _PLACE.keys():
                predicted[_PLACE[name], k] = np.nan
        for name in facts["not_resolved"]:
            predicted[_PLACE[name]] = np.nan
        found = np.zeros(predicted.shape, dtype=np.bool_)
        for k, names in enumerate(table.names("sure")):
            for name in set(names) & _PLACE.keys():
                found[_PLACE[name], k] = True
        routes = np.array(table.text("route"), dtype=np.str_)
        return PageLetters(
            folder.name, np.array(table.text("letter"), dtype=np.str_),
            np.fromiter(table.whole("glyph"), dtype=np.int64), predicted, found,
            np.asarray(routes == "finding"), facts,
        )  # fmt: skip
    except (KeyError, TypeError, ValueError) as error:
        raise RunError(folder, f"its tables are damaged ({error!r}).") from None


def able(page: PageLetters, defect: str) -> list[tuple[int, str]]:
    """Number and letter of those that can have a defect and were examined for it."""
    examined = ~np.isnan(page.predicted[_PLACE[defect]])
    return list(zip(page.glyph[examined].tolist(), page.letter[examined].tolist(), strict=True))

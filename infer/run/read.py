"""A page's record read from the tables and JSON files that `write.py` leaves in its folder.

Numbers have the precision of the tables.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import fields
from itertools import starmap
from pathlib import Path
from statistics import median
from typing import Any, TypeVar

from crownlet.datasets.files.errors import quoted
from crownlet.datasets.files.images import ImageFacts
from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.infer.hand_records import (
    HabitLetter,
    HabitRecord,
    HandFamiliarity,
    HandForm,
    HandRecord,
)
from crownlet.infer.records import (
    GLYPH_JUDGEMENTS,
    LETTER_EXTRA,
    AbsentLetter,
    GapRecord,
    GlyphRecord,
    Measurement,
    PageRecord,
    TextMatch,
    TextPlace,
)
from crownlet.infer.run.tables import (
    RECORD_ERRORS,
    Columns,
    Json,
    RunError,
    cause_of,
    read_json,
    read_measures,
    read_table,
)
from crownlet.infer.run.typed import build_record, mapping, mappings, numbers, strings

_Row = TypeVar("_Row", GlyphRecord, GapRecord)

GAP_DEFECTS = ("words_joined", "word_parted", "letters_touch")

DESCENDING_LETTERS = frozenset("ךןףץק")
"""Letters whose leg goes below the base line."""


def glyph_records(table: Columns, facts: Json) -> tuple[GlyphRecord, ...]:
    """The letters of a page; KeyError or ValueError if the table is damaged."""
    letters, numbers = table.text("letter"), list(table.whole("glyph"))
    if unknown := set(letters) - set(LETTERS):
        raise ValueError(f"{quoted(sorted(unknown)[0])} is no letter")
    if numbers != list(range(1, len(numbers) + 1)):
        raise ValueError("the letters are not numbered from 1 on")
    tags = (int(cell) if cell else None for cell in table.text("tags_expected"))
    columns: dict[str, Iterable[Any]] = {
        **{name: table.whole(name) for name in ("line", "place", "tags_seen")},
        # Runs older than that column count words over the page in `word`.
        "word": table.whole("word_on_page" if "word_on_page" in table else "word"),
        "glyph": numbers, "letter": letters, "letter_p": table.number("letter_p"),
        "expected": _expected(table, facts, numbers),
        "box": table.numbers("x0", "y0", "x1", "y1"),
        "body": _bodies(table, float(facts["image"]["turn"])),
        "tags_expected": tags, "p": _defect_probabilities(table), "route": table.text("route"),
        **{name: table.names(name) for name in ("reasons", "sure", "not_examined")},
        # Runs older than these columns have none.
        **{
            name: table.names(name) if name in table else [()] * len(numbers)
            for name in ("habits", "shared_doubts", "accepted_doubts")
        },
        "in_name": map(set(facts.get("in_divine_names", ())).__contains__, numbers),
    }  # fmt: skip
    return _build_rows(GlyphRecord, columns)


def _build_rows(record: type[_Row], columns: dict[str, Iterable[Any]]) -> tuple[_Row, ...]:
    """Records from a column of equal length for each of their fields."""
    in_order = (columns[field.name] for field in fields(record))
    return tuple(starmap(record, zip(*in_order, strict=True)))


def _defect_probabilities(table: Columns) -> Iterable[dict[str, float | None]]:
    """The probabilities of what is judged of each letter; None in columns of older runs."""
    columns = [table.maybe(f"p_{name}") for name in GLYPH_JUDGEMENTS]
    empty: dict[str, float | None] = dict.fromkeys(GLYPH_JUDGEMENTS)
    for row in zip(*columns, strict=True):
        # A copy has its final size: filling a new one takes a third longer.
        judged = empty.copy()
        judged.update(zip(GLYPH_JUDGEMENTS, row, strict=True))
        yield judged


def _expected(table: Columns, facts: Json, numbers: list[int]) -> list[str | None]:
    """Expected letters; an empty cell is an unknown letter, or "" where the text has none."""
    extra = facts.get("letters_extra")
    if extra is None:
        found = zip(numbers, table.names("reasons"), strict=True)
        extra = [number for number, reasons in found if LETTER_EXTRA in reasons]
    none = set(extra)
    cells = zip(table.text("expected"), numbers, strict=True)
    return [cell or ("" if number in none else None) for cell, number in cells]


def gap_records(table: Columns) -> tuple[GapRecord, ...]:
    """The gaps of a page; KeyError or ValueError if the table is damaged."""
    columns: dict[str, Iterable[Any]] = {
        **{name: table.whole(name) for name in ("line", "right_glyph", "left_glyph")},
        "expected": (cell or None for cell in table.text("expected")),
        **{name: table.number(name) for name in ("width_px", "width_q", "width_yud")},
        **{f"p_{name}": table.maybe(f"p_{name}") for name in GAP_DEFECTS},
        "route": table.text("route"),
        **{name: table.names(name) for name in ("reasons", "sure")},
    }
    return _build_rows(GapRecord, columns)


def _bodies(table: Columns, turn: float) -> Iterable[tuple[float, ...]]:
    if "body" in table:
        return table.numbers("cx", "cy", "body", "rotation")
    return _estimate_bodies(table, turn)


def _estimate_bodies(table: Columns, turn: float) -> Iterable[tuple[float, ...]]:
    """Bodies of older runs: three kulmus above where the line's letters end, for upright pages."""
    ends: dict[str, list[float]] = defaultdict(list)
    rows = list(zip(table.text("line"), table.text("letter"), table.numbers("x0", "x1", "y1", "q"),
                    strict=True))  # fmt: skip
    for line, letter, (_, _, end, _) in rows:
        if letter not in DESCENDING_LETTERS:
            ends[line].append(end)
    bases = {line: median(values) for line, values in ends.items()}
    for line, _, (left, right, end, q) in rows:
        yield (left + right) / 2, bases.get(line, end) - 3 * q, 3 * q, turn


def read_record(folder: Path, *, measured: bool = True) -> PageRecord:
    """The record kept in a page's folder; RunError names the file that cannot be read.

    Unless `measured`, measures.csv, the longest table, is not read.
    """
    facts = read_json(folder / "page.json")
    try:
        measures = _measures(folder) if measured else ()
        rows = glyph_records(read_table(folder / "glyphs.csv"), facts)
        gaps = gap_records(read_table(folder / "gaps.csv"))
        return _page(facts, rows, gaps, measures, _seconds(folder, facts))
    except RECORD_ERRORS as error:
        raise RunError(folder, f"its tables are damaged ({cause_of(error)}).") from None


def _measures(folder: Path) -> tuple[Measurement, ...]:
    """The rows of measures.csv; none in runs older than that table."""
    path = folder / "measures.csv"
    return read_measures(path) if path.is_file() else ()


def _seconds(folder: Path, facts: Json) -> Json:
    """Seconds by stage; older runs keep them among the facts."""
    path = folder / "timing.json"
    kept = (read_json(path) if path.is_file() else facts).get("seconds", {})
    return dict(mapping(kept, "seconds"))


def _page(
    facts: Json,
    glyphs: tuple[GlyphRecord, ...],
    gaps: tuple[GapRecord, ...],
    measurements: tuple[Measurement, ...],
    seconds: Json,
) -> PageRecord:
    return PageRecord(
        name=str(facts["page"]),
        image=_image(facts["image"]),
        glyphs=glyphs,
        gaps=gaps,
        match=_match(facts.get("text")),
        turn=int(facts["image"]["turn"]),
        quality=numbers(facts.get("quality", {}), "quality"),
        unresolved=strings(facts.get("not_resolved", ()), "not_resolved"),
        not_examined=strings(facts.get("not_examined", ()), "not_examined"),
        versions=mappings(facts.get("versions", {}), "versions"),
        timing=seconds,
        measurements=measurements,
        notes=strings(facts.get("notes", ()), "notes"),
        hand=_hand(facts.get("hand")),
        familiarity=_familiarity(facts.get("familiarity")),
        habits=tuple(_habit(habit) for habit in facts.get("habits", ())),
        asked=mapping(facts.get("asked", {}), "asked"),
    )


def _image(data: object) -> ImageFacts:
    facts = build_record(ImageFacts, data)
    if facts.width < 1 or facts.height < 1:
        raise ValueError(f"the picture is {facts.width} x {facts.height} px")
    return facts


def _hand(data: Json | None) -> HandRecord | None:
    if data is None:
        return None
    forms = tuple(build_record(HandForm, form) for form in data.get("forms", ()))
    return build_record(HandRecord, {**data, "forms": forms})


def _habit(data: Json) -> HabitRecord:
    letters = tuple(build_record(HabitLetter, row) for row in data["letters"])
    return build_record(HabitRecord, {**data, "letters": letters})


def _familiarity(data: Json | None) -> HandFamiliarity | None:
    """Whether the hand is known; None in runs older than that record."""
    return None if data is None else build_record(HandFamiliarity, data)


def _match(data: Json | None) -> TextMatch | None:
    if data is None:
        return None
    absent = tuple(build_record(AbsentLetter, letter) for letter in data.get("absent", ()))
    places = tuple(build_record(TextPlace, place) for place in data.get("places", ()))
    return build_record(TextMatch, {**data, "absent": absent, "places": places})

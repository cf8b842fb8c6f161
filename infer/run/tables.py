"""A page's record rebuilt from its folder, as `infer/writer.py` leaves it: two tables, one JSON.

Numbers come back as they were rounded for the tables. Runs of schema 1 lack the bodies of letters,
the reasons of gaps and the names of clear letters: bodies are guessed, the rest stays empty.
"""

from __future__ import annotations

import csv
import json
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import fields
from pathlib import Path
from statistics import median
from typing import Any

from crownlet.datasets.alphabet import LETTERS
from crownlet.datasets.catalogue import GLYPH_DEFECTS
from crownlet.infer.errors import FileFault
from crownlet.infer.measuring import Measurement, read_measures
from crownlet.infer.records import (
    AbsentLetter,
    GapRecord,
    GlyphRecord,
    ImageFacts,
    PageRecord,
    TextMatch,
)  # fmt: skip
from crownlet.infer.routing import EXTRA
from crownlet.infer.text_places import TextPlace

Row = Mapping[str, str]
Json = dict[str, Any]
LONG = frozenset("ךןףץק")
"""Letters whose leg goes below the base line."""


class RunError(FileFault):
    """A run, or a file of it, that cannot be read: `path` names it, `reason` says why."""


def read_record(folder: Path) -> PageRecord:
    """The record kept in a page's folder; RunError names the file that cannot be read."""
    facts = read_json(folder / "page.json")
    try:
        glyphs = _glyphs(read_table(folder / "glyphs.csv"), facts)
        gaps = tuple(_gap(row) for row in read_table(folder / "gaps.csv"))
        return _page(facts, glyphs, gaps, _measures(folder))
    except (KeyError, TypeError, ValueError) as error:
        raise RunError(folder, f"its tables are damaged ({error!r}).") from None


def read_json(path: Path) -> Json:
    """A JSON object; RunError if there is none."""
    try:
        data = json.loads(path.read_bytes())
    except (OSError, ValueError) as error:
        raise RunError(path, f"cannot be read ({_cause(error)}).") from None
    if not isinstance(data, dict):
        raise RunError(path, "holds no record of a run.")
    return data


def read_table(path: Path) -> list[dict[str, str]]:
    """The rows of a CSV file with a header; RunError if it cannot be read."""
    try:
        with path.open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file))
    except (OSError, ValueError, csv.Error) as error:
        raise RunError(path, f"cannot be read ({_cause(error)}).") from None


def _cause(error: Exception) -> str:
    return getattr(error, "strerror", None) or str(error) or type(error).__name__


def _measures(folder: Path) -> tuple[Measurement, ...]:
    """What measures.csv lists; nothing in runs made before it was written."""
    path = folder / "measures.csv"
    return read_measures(path) if path.is_file() else ()


def _page(
    facts: Json,
    glyphs: tuple[GlyphRecord, ...],
    gaps: tuple[GapRecord, ...],
    measurements: tuple[Measurement, ...],
) -> PageRecord:
    return PageRecord(
        name=str(facts["page"]),
        image=_known(ImageFacts, facts["image"]),
        glyphs=glyphs,
        gaps=gaps,
        match=_match(facts.get("text")),
        turn=int(facts["image"]["turn"]),
        quality=facts.get("quality", {}),
        unresolved=tuple(facts.get("not_resolved", ())),
        not_examined=tuple(facts.get("not_examined", ())),
        versions=facts.get("versions", {}),
        timing=facts.get("seconds", {}),
        measurements=measurements,
        notes=tuple(facts.get("notes", ())),
    )


def _known(kind: type[Any], data: Json) -> Any:
    """A record of `kind` from what `data` has of its fields; lists become tuples."""
    names = {field.name for field in fields(kind)}
    return kind(**{key: _tuples(value) for key, value in data.items() if key in names})


def _tuples(value: Any) -> Any:
    return tuple(_tuples(item) for item in value) if isinstance(value, list) else value


def _match(data: Json | None) -> TextMatch | None:
    if data is None:
        return None
    absent = [_known(AbsentLetter, letter) for letter in data.get("absent", ())]
    places = [_known(TextPlace, place) for place in data.get("places", ())]
    match: TextMatch = _known(TextMatch, data | {"absent": absent, "places": places})
    return match


def _glyphs(rows: Sequence[Row], facts: Json) -> tuple[GlyphRecord, ...]:
    bodies = _bodies(rows, float(facts["image"]["turn"]))
    extra = facts.get("letters_extra")
    extra = {int(r["glyph"]) for r in rows if EXTRA in _names(r)} if extra is None else set(extra)
    names = set(facts.get("in_divine_names", ()))
    return tuple(
        _glyph(row, body, int(row["glyph"]) in extra, int(row["glyph"]) in names)
        for row, body in zip(rows, bodies, strict=True)
    )


def _glyph(row: Row, body: tuple[float, ...], extra: bool, in_name: bool) -> GlyphRecord:
    x0, y0, x1, y1 = (float(row[key]) for key in ("x0", "y0", "x1", "y1"))
    x, y, height, turn = body
    if row["letter"] not in LETTERS:
        raise ValueError(f"{row['letter']!r} is no letter")
    return GlyphRecord(
        glyph=int(row["glyph"]), line=int(row["line"]), word=int(row["word"]),
        place=int(row["place"]), letter=row["letter"], letter_p=float(row["letter_p"]),
        expected=row["expected"] or ("" if extra else None), box=(x0, y0, x1, y1),
        body=(x, y, height, turn), tags_seen=int(row["tags_seen"]),
        tags_expected=int(row["tags_expected"]) if row["tags_expected"] else None,
        p={name: _p(row.get(f"p_{name}", "")) for name in GLYPH_DEFECTS},
        route=row["route"],  # type: ignore[arg-type]
        reasons=_names(row), in_name=in_name, not_examined=_names(row, "not_examined"),
    )  # fmt: skip


def _gap(row: Row) -> GapRecord:
    return GapRecord(
        line=int(row["line"]), right_glyph=int(row["right_glyph"]),
        left_glyph=int(row["left_glyph"]),
        expected=row["expected"] or None,  # type: ignore[arg-type]
        width_px=float(row["width_px"]), width_q=float(row["width_q"]),
        width_yud=float(row["width_yud"]), p_words_joined=_p(row["p_words_joined"]),
        p_word_parted=_p(row["p_word_parted"]), p_letters_touch=_p(row["p_letters_touch"]),
        route=row["route"],  # type: ignore[arg-type]
        reasons=_names(row),
    )  # fmt: skip


def _p(text: str) -> float | None:
    return float(text) if text else None


def _names(row: Row, column: str = "reasons") -> tuple[str, ...]:
    return tuple(filter(None, (row.get(column) or "").split(";")))


def _bodies(rows: Sequence[Row], turn: float) -> list[tuple[float, ...]]:
    if rows and "body" in rows[0]:
        return [tuple(float(row[key]) for key in ("cx", "cy", "body", "rotation")) for row in rows]
    return _guessed(rows, turn)


def _guessed(rows: Sequence[Row], turn: float) -> list[tuple[float, ...]]:
    """Bodies of schema 1: three kulmus above where the line's letters end; upright pages only."""
    ends: dict[str, list[float]] = defaultdict(list)
    for row in rows:
        if row["letter"] not in LONG:
            ends[row["line"]].append(float(row["y1"]))
    bodies: list[tuple[float, ...]] = []
    for row in rows:
        base = median(ends[row["line"]] or [float(row["y1"])])
        height = 3 * float(row["q"])
        bodies.append(((float(row["x0"]) + float(row["x1"])) / 2, base - height, height, turn))
    return bodies

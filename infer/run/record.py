"""A page's record rebuilt from its folder, as `infer/writer.py` leaves it: three tables, one JSON.

Numbers come back as they were rounded for the tables.
"""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path
from typing import Any

from crownlet.infer.measuring import Measurement, read_measures
from crownlet.infer.records import (
    AbsentLetter,
    GapRecord,
    GlyphRecord,
    ImageFacts,
    PageRecord,
    TextMatch,
)
from crownlet.infer.run.letters import gaps, glyphs
from crownlet.infer.run.tables import Json, RunError, read_json, read_table
from crownlet.infer.text_places import TextPlace


def read_record(folder: Path, *, measured: bool = True) -> PageRecord:
    """The record kept in a page's folder; RunError names the file that cannot be read.

    Unless `measured`, measures.csv, the longest table, is left alone.
    """
    facts = read_json(folder / "page.json")
    try:
        measures = _measures(folder) if measured else ()
        rows = glyphs(read_table(folder / "glyphs.csv"), facts)
        whites = gaps(read_table(folder / "gaps.csv"))
        return _page(facts, rows, whites, measures, _seconds(folder, facts))
    except (KeyError, TypeError, ValueError, OSError) as error:
        raise RunError(folder, f"its tables are damaged ({error!r}).") from None


def _measures(folder: Path) -> tuple[Measurement, ...]:
    """What measures.csv lists; nothing in runs made before it was written."""
    path = folder / "measures.csv"
    return read_measures(path) if path.is_file() else ()


def _seconds(folder: Path, facts: Json) -> Json:
    """Seconds by stage; older runs keep them among the facts."""
    path = folder / "timing.json"
    seconds: Json = (read_json(path) if path.is_file() else facts).get("seconds", {})
    return seconds


def _page(
    facts: Json,
    glyphs: tuple[GlyphRecord, ...],
    gaps: tuple[GapRecord, ...],
    measurements: tuple[Measurement, ...],
    seconds: Json,
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
        timing=seconds,
        measurements=measurements,
        notes=tuple(facts.get("notes", ())),
        asked=facts.get("asked", {}),
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

"""The templates of the sheets, filled in, and safe file names for scrolls."""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment

from crownlet.datasets.files.names import MAX_NAME_BYTES
from crownlet.infer.sheet.decisions import state_of
from crownlet.infer.sheet.wording import DISAGREEMENT_NOTE, SOURCES_DIFFER_NOTE, trade_term
from crownlet.infer.view.lengths import PEN_WIDTH_NOTE
from crownlet.infer.view.templates import template_environment
from crownlet.infer.view.wording import count_of, defect_words, describe_defect, latin_name

_TEMPLATES = Path(__file__).parent / "templates"

_RESERVED_STEMS = ("index", "teaching", "authority", "parchment", "owners", "posters", "beside")

_MAX_STEM_CHARACTERS = 80


def render(template: str, **values: Any) -> str:
    """A whole HTML page."""
    return _environment().get_template(template).render(**values)


@cache
def _environment() -> Environment:
    return template_environment(
        _TEMPLATES, defect_words=defect_words, latin_name=latin_name, trade_term=trade_term,
        describe_defect=describe_defect, count_of=count_of, disagreement_note=DISAGREEMENT_NOTE,
        sources_differ_note=SOURCES_DIFFER_NOTE, state_of=state_of,
        pen_width_note=PEN_WIDTH_NOTE, r=_format_coordinate,
    )  # fmt: skip


def _format_coordinate(value: float) -> str:
    """A coordinate of an SVG or a length in mm, with at most one decimal."""
    return f"{value:.1f}".removesuffix(".0")


def choose_file_names(names: Iterable[str]) -> dict[str, str]:
    """A file name for each scroll, safe on every system and distinct in any case of letters."""
    table: dict[str, str] = {}
    taken = set(_RESERVED_STEMS)
    for name in names:
        stem = re.sub(r"[^\w.-]+", "_", name).strip("._")[:_MAX_STEM_CHARACTERS]
        stem = stem.encode()[:MAX_NAME_BYTES].decode("utf-8", "ignore") or "scroll"
        candidate, number = stem, 1
        while candidate.casefold() in taken:
            number += 1
            candidate = f"{stem}-{number}"
        taken.add(candidate.casefold())
        table[name] = f"{candidate}.html"
    return table

"""Templates filled in, file names made safe, files put in place whole."""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment

from crownlet.infer.sheet import wording as words
from crownlet.infer.view import wording as words_
from crownlet.infer.view.templates import template_environment
from crownlet.infer.view.wording import defect_words, latin_name

_TEMPLATES = Path(__file__).parent / "templates"

_RESERVED_STEMS = ("index", "teaching")

_MAX_STEM_CHARACTERS = 80


def render(template: str, **values: Any) -> str:
    """A whole HTML page."""
    return _environment().get_template(template).render(**values)


@cache
def _environment() -> Environment:
    return template_environment(
        _TEMPLATES, said=defect_words, latin=latin_name, term=words.trade_term, described=words_.describe_defect,
        count=words_.count_of, apart=words.DISAGREEMENT_NOTE, differ=words.SOURCES_DIFFER_NOTE, r=_format_coordinate,
    )  # fmt: skip


def _format_coordinate(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def choose_file_names(names: Iterable[str]) -> dict[str, str]:
    """A file name for each scroll, safe on every system and distinct in any case of letters."""
    table: dict[str, str] = {}
    taken = set(_RESERVED_STEMS)
    for name in names:
        stem = re.sub(r"[^\w.-]+", "_", name).strip("._")[:_MAX_STEM_CHARACTERS] or "scroll"
        candidate, number = stem, 1
        while candidate.casefold() in taken:
            number += 1
            candidate = f"{stem}-{number}"
        taken.add(candidate.casefold())
        table[name] = f"{candidate}.html"
    return table

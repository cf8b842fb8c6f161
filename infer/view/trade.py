"""The trade's terms beside plain headings, where they are chosen; a term orders, it never rules."""

from __future__ import annotations

from functools import cache
from importlib import resources
from typing import Any

import yaml
from markupsafe import Markup

from crownlet.infer.view.language import current_locale


def trade_heading(heading: str) -> Markup:
    """The trade's term for a plain English heading, to be set after it; "" where none is chosen."""
    locale = current_locale()
    if locale.terms == "plain":
        return Markup()
    term = trade_terms().get(heading, {}).get(locale.language)
    return Markup(' <span class="term">({})</span>').format(term) if term else Markup()


@cache
def trade_terms() -> dict[str, dict[str, str]]:
    """By plain heading, its term in each language."""
    source = resources.files("crownlet.infer.view") / "trade_terms.yaml"
    table: dict[str, Any] = yaml.safe_load(source.read_text(encoding="utf-8"))
    return table

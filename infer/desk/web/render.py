"""The templates of the desk's page, filled in: everything escaped, an unknown name is an error."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment

from crownlet.infer.review.web.locale import locale_choices, script_words
from crownlet.infer.review.web.render import TEMPLATES as REVIEW_TEMPLATES
from crownlet.infer.view.templates import template_environment
from crownlet.infer.view.wording import count_of, latin_name

_TEMPLATES = Path(__file__).resolve().parent / "templates"


@cache
def _environment() -> Environment:
    return template_environment(
        _TEMPLATES, REVIEW_TEMPLATES, count_of=count_of, latin_name=latin_name, back="/",
        script_words=script_words, locale_choices=locale_choices,
    )  # fmt: skip


def render(template: str, values: dict[str, Any]) -> str:
    """One of the templates of the desk as HTML."""
    return _environment().get_template(template).render(values)

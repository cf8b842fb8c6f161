"""The templates of the review page, filled in: everything escaped, an unknown name is an error."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment

from crownlet.datasets.scribal.alphabet import ALPHABET
from crownlet.infer.review.web.locale import locale_choices, script_words
from crownlet.infer.review.wording import CHOICE_BUTTONS, choice_sign, decision_words
from crownlet.infer.view.templates import template_environment
from crownlet.infer.view.wording import count_of, defect_words

TEMPLATES = Path(__file__).resolve().parent / "templates"


@cache
def _environment() -> Environment:
    return template_environment(
        TEMPLATES,
        choices=CHOICE_BUTTONS,
        alphabet=ALPHABET,
        decision_words=decision_words,
        defect_words=defect_words,
        choice_sign=choice_sign,
        count_of=count_of,
        script_words=script_words,
        locale_choices=locale_choices,
    )


def render(template: str, values: dict[str, Any]) -> str:
    """One of the templates of the review page as HTML."""
    return _environment().get_template(template).render(values)

"""Templates to HTML: everything escaped, every unknown name an error."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

from jinja2 import Environment

from crownlet.datasets.scribal.alphabet import ALPHABET, BY_CHAR
from crownlet.infer.view.templates import template_environment
from crownlet.infer.view.wording import defect_words


class ChoiceButton(NamedTuple):
    """One decision on the page."""

    name: str
    key: str
    mark: str
    words: str
    """As an answer to the question."""
    short: str
    """As what was said."""
    brief: str = ""
    """As an answer where there is little room; "" if `short` will do."""


CHOICE_BUTTONS = (
    ChoiceButton("present", "1", "●", "yes: present", "present", "yes"),
    ChoiceButton("not_present", "2", "○", "no: not present", "not present", "no"),
    ChoiceButton("cannot_tell", "3", "◐", "cannot tell from the picture", "cannot tell"),
    ChoiceButton("authority", "4", "?", "question for an authority", "question"),
    ChoiceButton("other_letter", "5", "≠", "wrong letter: which?", "wrong letter"),
)

BUTTON_BY_CHOICE = {choice.name: choice for choice in CHOICE_BUTTONS}


def decision_words(choice: str, right_letter: str | None = None) -> str:
    """A decision in words, such as "wrong letter: resh"."""
    short = (
        BUTTON_BY_CHOICE[choice].short if choice in BUTTON_BY_CHOICE else choice.replace("_", " ")
    )
    return f"{short}: {BY_CHAR[right_letter].name}" if right_letter else short


FOLDER = Path(__file__).resolve().parent
TEMPLATES = FOLDER / "templates"
STATIC = FOLDER / "static"


@cache
def _environment() -> Environment:
    return template_environment(
        TEMPLATES,
        choices=CHOICE_BUTTONS,
        alphabet=ALPHABET,
        decided=decision_words,
        said=defect_words,
        sign=choice_sign,
    )


def choice_sign(choice: str) -> str:
    """The mark that tells a decision without colour."""
    return BUTTON_BY_CHOICE[choice].mark if choice in BUTTON_BY_CHOICE else ""


def render(template: str, values: dict[str, Any]) -> str:
    """One of the templates beside this file, filled in."""
    return _environment().get_template(template).render(values)

"""Templates to HTML: everything escaped, every unknown name an error."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

from jinja2 import Environment

from crownlet.datasets.scribal.alphabet import ALPHABET, BY_CHAR
from crownlet.infer.view.templates import environment
from crownlet.infer.view.wording import said


class Choice(NamedTuple):
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


CHOICES = (
    Choice("present", "1", "●", "yes: present", "present", "yes"),
    Choice("not_present", "2", "○", "no: not present", "not present", "no"),
    Choice("cannot_tell", "3", "◐", "cannot tell from the picture", "cannot tell"),
    Choice("authority", "4", "?", "question for an authority", "question"),
    Choice("other_letter", "5", "≠", "wrong letter: which?", "wrong letter"),
)

BY_NAME = {choice.name: choice for choice in CHOICES}


def decided(choice: str, right_letter: str | None = None) -> str:
    """A decision in words, such as "wrong letter: resh"."""
    short = BY_NAME[choice].short if choice in BY_NAME else choice.replace("_", " ")
    return f"{short}: {BY_CHAR[right_letter].name}" if right_letter else short


FOLDER = Path(__file__).resolve().parent
TEMPLATES = FOLDER / "templates"
STATIC = FOLDER / "static"


@cache
def _environment() -> Environment:
    return environment(
        TEMPLATES, choices=CHOICES, alphabet=ALPHABET, decided=decided, said=said, sign=sign
    )


def sign(choice: str) -> str:
    """The mark that tells a decision without colour."""
    return BY_NAME[choice].mark if choice in BY_NAME else ""


def render(template: str, values: dict[str, Any]) -> str:
    """One of the templates beside this file, filled in."""
    return _environment().get_template(template).render(values)

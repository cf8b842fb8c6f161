"""Templates to HTML: everything escaped, every unknown name an error."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment

from crownlet.datasets.alphabet import ALPHABET
from crownlet.infer.plain import said
from crownlet.infer.review.words import BY_NAME, CHOICES, decided
from crownlet.infer.templates import environment

FOLDER = Path(__file__).resolve().parent


@cache
def _environment() -> Environment:
    return environment(
        FOLDER, choices=CHOICES, alphabet=ALPHABET, decided=decided, said=said, sign=sign
    )


def sign(choice: str) -> str:
    """The mark that tells a decision without colour."""
    return BY_NAME[choice].mark if choice in BY_NAME else ""


def render(template: str, values: dict[str, Any]) -> str:
    """One of the templates beside this file, filled in."""
    return _environment().get_template(template).render(values)

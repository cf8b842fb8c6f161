"""Templates to HTML, in one way for sheets, review and survey.

In a template `_("...")` is a message of its own in the page's language, `_n("...", "...", n)` one
of two by a number; `localize(...)` gives what the code or a table says, `bdi(...)` a name, and
`trade("...")` the trade's term of a heading.
"""

from __future__ import annotations

from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from crownlet.infer.view.language import (
    choose_message,
    current_locale,
    direction,
    isolate,
    isolate_values,
    translate,
)
from crownlet.infer.view.sentences import localize
from crownlet.infer.view.trade import trade_heading


def template_environment(*folders: Path, **known: object) -> Environment:
    """Templates of these folders, earlier folders first.

    Values are escaped, an unknown name is an error. `known` are names that every template has.
    """
    made = Environment(
        loader=FileSystemLoader(folders), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    made.globals.update(
        _=_message, _n=_count_message, localize=localize, bdi=isolate, trade=trade_heading,
        current_locale=current_locale, direction=direction, **known,
    )  # fmt: skip
    return made


def _message(message: str, /, **values: object) -> Markup:
    """A message with its own markup; the values are escaped."""
    found = Markup(translate(message))
    return found.format(**isolate_values(values)) if values else found


def _count_message(one: str, many: str, number: int, /, **values: object) -> Markup:
    """One of two messages by a number, which is `{n}` in them."""
    given = isolate_values({"n": f"{number:,}", **values})
    return Markup(choose_message(one, many, number)).format(**given)

"""Templates to HTML, in one way for sheets, review and survey."""

from __future__ import annotations

from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined


def template_environment(*folders: Path, **known: object) -> Environment:
    """Templates of these folders, earlier folders first.

    Values are escaped, an unknown name is an error. `known` are names that every template has.
    """
    made = Environment(
        loader=FileSystemLoader(folders), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    made.globals.update(known)
    return made

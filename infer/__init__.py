"""From a page image to a table of letters with classes, probabilities and routes.

A page runs one way: reading, sizing, locate, assess, layout, whites, align, routing, writer; each
stage takes a plain typed record and returns one. Nothing here imports torch.
"""

from __future__ import annotations

__all__ = ["Inspector", "ModelError", "PageError", "PageRecord"]

_HOMES = {
    "Inspector": "inspector",
    "ModelError": "sessions",
    "PageError": "reading",
    "PageRecord": "records",
}


def __getattr__(name: str) -> object:
    """Load the public names when first asked for: importing the package alone costs nothing."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)

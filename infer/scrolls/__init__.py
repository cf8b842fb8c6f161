"""Pages gathered into scrolls: face beside reverse, first lines beside last, and mix-ups told.

One scroll is one object, whatever the number of its pictures.
"""

from __future__ import annotations

__all__ = ["Scroll", "gather"]

_HOMES = {"Scroll": "scroll", "gather": "gathering"}


def __getattr__(name: str) -> object:
    """Load the public names when first asked for."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)

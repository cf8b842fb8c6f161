"""The text a page is to be compared with: a portion, none, or the one its own words tell."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal, TypeAlias

from crownlet.datasets.texts import read_portion

if TYPE_CHECKING:
    from crownlet.datasets.texts import Portion

AUTO: Literal["auto"] = "auto"
"""In place of a portion: look for the passage in the Pentateuch."""
NOT_COMPARED = "none"

Wanted: TypeAlias = "Portion | Literal['auto'] | None"


def read_wanted(name_or_path: str | Path) -> Wanted:
    """`auto`, `none`, or what `read_portion` reads, whose ValueError says what is wrong."""
    if name_or_path == AUTO:
        return AUTO
    return None if name_or_path == NOT_COMPARED else read_portion(name_or_path)

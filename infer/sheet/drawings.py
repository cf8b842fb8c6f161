"""Our drawings of well-formed letters, read from `exemplars.json` (`datasets/exemplars.py`)."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from crownlet.datasets.alphabet import BY_CHAR
from crownlet.datasets.customs import Customs

STYLES = {
    "beit_yosef": "Beit Yosef",
    "arizal": "Arizal",
    "alter_rebbe": "Arizal",
    "vellish": "Vellish",
    "unspecified": "Beit Yosef",
}
"""The form drawn for each style of the customs; the Alter Rebbe's script is a variant of the
Arizal's (common practice, no printed source)."""


@dataclass(frozen=True)
class Drawing:
    """An outline in hundredths of a q; x to the right, y down, y = 0 the ruled line."""

    path: str
    box: tuple[int, int, int, int]
    style: str
    """Name of the form drawn."""

    def view(self, size_q: tuple[float, float]) -> str:
        """An SVG viewBox of `size_q` (width, height in q) about the middle of the letter."""
        x0, y0, x1, y1 = self.box
        width, height = (round(100 * v) for v in size_q)
        return f"{(x0 + x1 - width) // 2} {(y0 + y1 - height) // 2} {width} {height}"


def drawing(char: str, customs: Customs) -> Drawing:
    """Our drawing of a letter in the style that the customs name, else in the Beit Yosef form."""
    name = STYLES[customs.style]
    entry = _table()["styles"][name.lower().replace(" ", "_")][BY_CHAR[char].slug]
    x0, y0, x1, y1 = entry["box"]
    return Drawing(entry["d"], (x0, y0, x1, y1), name)


@cache
def _table() -> dict[str, Any]:
    source = resources.files("crownlet.infer.sheet") / "exemplars.json"
    table: dict[str, Any] = json.loads(source.read_text(encoding="utf-8"))
    return table

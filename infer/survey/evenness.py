"""How even the scrolls of each source are, from what each scroll's inspection said of its hand."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Any

from crownlet.infer.errors import FileFault
from crownlet.infer.scrolls.listing import NAME


@dataclass(frozen=True)
class Evenness:
    """The scrolls of one source whose hand could be examined."""

    source: str
    scrolls: int
    uneven: int
    """Scrolls with at least one uneven form."""
    width_spread: float
    """Median over scrolls of the spread of a form's widths, a share of the width."""
    height_spread: float
    forms: tuple[tuple[str, int], ...]
    """Uneven forms and the scrolls with them, the commonest first."""


def evenness(folder: Path, code_of: Mapping[str, str]) -> tuple[Evenness, ...]:
    """A row a source; `code_of` maps scrolls to sources. FileFault for a list that cannot be read.

    Scrolls whose pages have too few letters of any form to say something are left out.
    """
    path = folder / NAME
    if not path.is_file():
        return ()
    held: defaultdict[str, list[list[Mapping[str, Any]]]] = defaultdict(list)
    try:
        for scroll in json.loads(path.read_bytes())["scrolls"]:
            forms = (scroll["consistency"] or {}).get("forms", [])
            if forms and scroll["name"] in code_of:
                held[code_of[scroll["name"]]].append(forms)
        return tuple(_row(code, scrolls) for code, scrolls in sorted(held.items()))
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise FileFault(path, f"is no list of scrolls ({error!r}).") from None


def _row(code: str, scrolls: list[list[Mapping[str, Any]]]) -> Evenness:
    uneven = [[form["letter"] for form in forms if form["uneven"]] for forms in scrolls]
    counts = Counter(letter for letters in uneven for letter in letters)
    return Evenness(
        source=code,
        scrolls=len(scrolls),
        uneven=sum(bool(letters) for letters in uneven),
        width_spread=median(median(f["width_spread"] for f in forms) for forms in scrolls),
        height_spread=median(median(f["height_spread"] for f in forms) for forms in scrolls),
        forms=tuple(sorted(counts.items(), key=lambda item: (-item[1], item[0]))[:5]),
    )

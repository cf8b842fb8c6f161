"""How many letters must change for a page to read as a stretch of a text (Sellers 1980)."""

from __future__ import annotations

import numpy as np

from crownlet.datasets.pentateuch.text import Codes


def distance(page: Codes, text: Codes) -> int:
    """Least edits (Levenshtein 1966) that turn `page` (L,) into some stretch of `text` (M,)."""
    steps = np.arange(len(text) + 1, dtype=np.int32)
    row = np.zeros(len(text) + 1, np.int32)
    for letter in page:
        ahead = row + 1
        np.minimum(ahead[1:], row[:-1] + (text != letter), out=ahead[1:])
        row = np.minimum.accumulate(ahead - steps) + steps
    return int(row.min())

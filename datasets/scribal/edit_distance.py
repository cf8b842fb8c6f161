"""Edit distances that plain libraries do not offer, one whole row of the cost table at a time.

Two whole texts are compared by `rapidfuzz` where they are compared at all (`train.bench`). It has
no distance to the nearest stretch of a longer text (Sellers 1980): its best partial match counts
insertions and deletions in windows of fixed length, and gives another distance for most random
texts. Nor has it costs that differ from place to place, which transcribed lines need
(`train.evaluation`).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

CostRow = npt.NDArray[np.signedinteger]


def next_cost_row(
    above: CostRow, across: npt.NDArray[np.integer | np.bool_], skip: int, extra: CostRow
) -> CostRow:
    """The least costs (M + 1,) after one more place of the pattern (Levenshtein 1966).

    Args:
        above: (M + 1,) costs before it, by number of letters of the text that are used up.
        across: (M,) cost of taking each letter of the text for this place.
        skip: cost of leaving the place out.
        extra: (M + 1,) cost of that many letters of the text that stand for no place.
    """
    row = above + skip
    np.minimum(row[1:], above[:-1] + across, out=row[1:])
    # A letter that stands for no place adds to the cell before it: a running minimum.
    return np.asarray(np.minimum.accumulate(row - extra) + extra)


def stretch_distance(page: npt.NDArray[np.uint8], text: npt.NDArray[np.uint8]) -> int:
    """Least edits that turn `page` (L,) into some stretch of `text` (M,), both of classes.

    Sellers 1980, The theory and computation of evolutionary distances.
    """
    steps = np.arange(len(text) + 1, dtype=np.int32)
    row: CostRow = np.zeros(len(text) + 1, np.int32)
    for letter in page:
        row = next_cost_row(row, text != letter, 1, steps)
    return int(row.min())

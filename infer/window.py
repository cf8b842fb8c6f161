"""The stretch of a long text that a page can show, so that a page meets a whole book quickly."""

from __future__ import annotations

import numpy as np

from crownlet.infer.records import Ints

LONG, PER_LETTER = 4000, 4
"""Texts longer than `LONG + PER_LETTER` times the page are narrowed down first."""
PLACES = 6


def window(page: Ints, text: Ints) -> tuple[int, int]:
    """First letter and end of the stretch of `text` (M,) that `page` (N,), classes, may show."""
    most = LONG + PER_LETTER * len(page)
    if len(text) <= most:
        return 0, len(text)
    # Loaded only here: few texts are so long.
    from crownlet.datasets.pentateuch.chaining import candidates, chain
    from crownlet.datasets.pentateuch.seeds import LONG_SEED, Seeds

    runs = Seeds(text.astype(np.uint8), LONG_SEED).runs(page.astype(np.uint8))
    shifts = candidates(runs, len(page), PLACES)
    chains = [chain(runs, shift, len(page), (0, len(text))) for shift in shifts]
    best = max((c for c in chains if c is not None), key=lambda c: c.score, default=None)
    if best is None:
        return 0, most
    room = 100 + len(page) // 2
    return max(best.start - room, 0), min(best.stop + room, len(text))

"""Pages by hands of some styles only, so that others can be held out of a whole training."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from crownlet.datasets.letterforms.hands import draw_hand
from crownlet.datasets.page.spec import PageSpec


def with_style(spec: PageSpec, seed: int, styles: tuple[str, ...]) -> PageSpec:
    """The page's specification with a hand of one of the styles; unchanged if none is named.

    The same seed gives the same hand. ValueError if there is no such style.
    """
    if not styles or spec.hand is not None:
        return spec
    rng = np.random.default_rng([seed, 0x57])
    for _ in range(1000):
        hand = int(rng.integers(1 << 31))
        if draw_hand(hand, spec.split).style in styles:
            return replace(spec, hand=hand)
    raise ValueError(f"no hand writes in any of the styles {', '.join(styles)}")

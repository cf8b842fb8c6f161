"""One clean letter in one hand."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from crownlet.datasets.letterforms.glyph import Glyph
from crownlet.datasets.letterforms.hand import Hand
from crownlet.datasets.letterforms.letters_arms import ARMS
from crownlet.datasets.letterforms.letters_frames import FRAMES
from crownlet.datasets.letterforms.letters_heads import HEADS
from crownlet.datasets.letterforms.letters_rings import RINGS
from crownlet.datasets.letterforms.sketch import Sketch

FORMS: dict[str, Callable[[Sketch], None]] = {**HEADS, **FRAMES, **RINGS, **ARMS}
"""How each of the 27 letters is drawn."""
MAY_STRETCH = "דהלרתםבכ"
"""Letters that `build` can lengthen; bet and kaf only a little, as scribes do."""


def build(letter: str, hand: Hand, rng: np.random.Generator, stretch: float = 0.0) -> Glyph:
    """Draw `letter` (one of the 27) clean, as `hand` writes it, without tags.

    Lengths are in q; the body hangs from y = 0 to y = 3 and starts at x = 0. `stretch` q are added to
    the width of letters that may stretch, and ignored for others. KeyError for another character.
    """
    draw = FORMS[letter]
    sketch = Sketch(letter, hand, rng, stretch if letter in MAY_STRETCH else 0.0)
    draw(sketch)
    return sketch.finish()

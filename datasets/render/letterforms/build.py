"""One clean letter in one hand."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from crownlet.datasets.render.letterforms.glyph import Glyph
from crownlet.datasets.render.letterforms.hand import Hand
from crownlet.datasets.render.letterforms.letters_arms import ARMS
from crownlet.datasets.render.letterforms.letters_frames import FRAMES
from crownlet.datasets.render.letterforms.letters_heads import HEADS
from crownlet.datasets.render.letterforms.letters_rings import RINGS
from crownlet.datasets.render.letterforms.letters_sweeps import SWEEPS
from crownlet.datasets.render.letterforms.sketch import Sketch

FORMS: dict[str, Callable[[Sketch], None]] = {**HEADS, **FRAMES, **RINGS, **ARMS, **SWEEPS}
"""How each of the 27 letters is drawn."""

MAY_STRETCH = {"ד": 16.0, "ה": 16.0, "ל": 12.0, "ר": 16.0, "ת": 16.0, "ם": 12.0, "ב": 1.5, "כ": 1.5}
"""Letters that may be lengthened, with the most q by which `build` does it."""


def build(letter: str, hand: Hand, rng: np.random.Generator, stretch: float = 0.0) -> Glyph:
    """Draw `letter` (one of the 27) clean, as `hand` writes it, without tags.

    Lengths are in q; the body hangs from y = 0 to y = 3 and starts at x = 0. `stretch` q are added
    to the width of letters that may stretch, and ignored for others. KeyError for another
    character.
    """
    draw = FORMS[letter]
    sketch = Sketch(letter, hand, rng, min(stretch, MAY_STRETCH.get(letter, 0.0)))
    draw(sketch)
    return sketch.finish()

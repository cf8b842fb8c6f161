"""One clean letter in one hand."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from crownlet.datasets.render.letterforms.glyph import Glyph
from crownlet.datasets.render.letterforms.hand import Hand
from crownlet.datasets.render.letterforms.letters_arms import ARM_LETTERS
from crownlet.datasets.render.letterforms.letters_frames import FRAME_LETTERS
from crownlet.datasets.render.letterforms.letters_heads import HEAD_LETTERS
from crownlet.datasets.render.letterforms.letters_rings import RING_LETTERS
from crownlet.datasets.render.letterforms.letters_sweeps import SWEEP_LETTERS
from crownlet.datasets.render.letterforms.sketch import Sketch

LETTER_FORMS: dict[str, Callable[[Sketch], None]] = {
    **HEAD_LETTERS,
    **FRAME_LETTERS,
    **RING_LETTERS,
    **ARM_LETTERS,
    **SWEEP_LETTERS,
}
"""How each of the 27 letters is drawn."""

STRETCHABLE_Q_BY_LETTER = {
    "ד": 16.0,
    "ה": 16.0,
    "ל": 12.0,
    "ר": 16.0,
    "ת": 16.0,
    "ם": 12.0,
    "ב": 1.5,
    "כ": 1.5,
}
"""Letters that may be lengthened, with the most q by which `build_letter` does it."""


def build_letter(letter: str, hand: Hand, rng: np.random.Generator, stretch: float = 0.0) -> Glyph:
    """Draw `letter` (one of the 27) clean, as `hand` writes it, without tags.

    Lengths are in q; the body hangs from y = 0 to y = 3 and starts at x = 0. `stretch` q are added
    to the width of letters that may stretch, and ignored for others. KeyError for another
    character.
    """
    draw = LETTER_FORMS[letter]
    sketch = Sketch(letter, hand, rng, min(stretch, STRETCHABLE_Q_BY_LETTER.get(letter, 0.0)))
    draw(sketch)
    return sketch.finish()

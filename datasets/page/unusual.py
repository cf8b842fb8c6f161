"""Which letters are drawn on the way to another, and which are written oddly by tradition."""

from __future__ import annotations

import numpy as np

from crownlet.datasets.letterforms.morphs import DOUBT, LAST
from crownlet.datasets.letterforms.oddities import Oddity, known
from crownlet.datasets.letterforms.ways import partners
from crownlet.datasets.page.spec import PageSpec
from crownlet.datasets.texts import Lines, read_portion

TRADITION = 0.7
"""Share of pages with a verse of large letters that have them large: it is a custom."""
_SHARES: dict[Oddity, float] = {
    "large": 1.0, "small": 1.0, "dotted": 0.7, "inverted": 1.5, "curled": 1.2,
}  # fmt: skip
_WEIGHT = {"דר": 2.5, "הח": 2.0, "וז": 1.8, "סם": 2.0, "בכ": 1.4, "דך": 0.8, "הק": 0.6, "חת": 0.7}
"""How often a letter goes this way rather than another; 1 for the rest. What is asked most about
comes most."""


def draw_morph(letter: str, spec: PageSpec, rng: np.random.Generator) -> tuple[str, float] | None:
    """Another letter and how far `letter` goes towards it, 0 to 1; None for most letters."""
    if not spec.morph_rate or rng.random() >= spec.morph_rate:
        return None
    others = partners(letter)
    if not others or (spec.defects is not None and DOUBT not in spec.defects):
        return None
    weights = np.array(
        [_WEIGHT.get(letter + other, _WEIGHT.get(other + letter, 1.0)) for other in others]
    )
    other = others[int(np.searchsorted(np.cumsum(weights), rng.random() * weights.sum()))]
    return other, float(rng.random())


def is_other(t: float) -> bool:
    """Whether a form that far on its way is no longer the letter from which it started."""
    return t > LAST


def draw_oddity(letter: str, spec: PageSpec, rng: np.random.Generator) -> Oddity | None:
    """A known oddity of this letter; None for most."""
    if not spec.oddity_rate or rng.random() >= spec.oddity_rate:
        return None
    names = known(letter)
    if not names:
        return None
    weights = np.array([_SHARES[name] for name in names])
    return names[int(np.searchsorted(np.cumsum(weights), rng.random() * weights.sum()))]


def large_places(
    lines: Lines, spec: PageSpec, rng: np.random.Generator
) -> frozenset[tuple[int, int]]:
    """(word, place) of letters that this page writes large by tradition (Rambam, Tefillin 2:6)."""
    if spec.portion is None or not spec.oddity_rate:
        return frozenset()
    text = read_portion(spec.portion)
    # Words seen of a neighbouring column are another text.
    if text.words != tuple(word for line in lines for word in line):
        return frozenset()
    return text.large_letters if rng.random() < TRADITION else frozenset()

"""A hand: everything that makes the writing of one scribe their own, drawn by seed.

`Hand` holds what a rule or a reader names. Below that, each scribe slopes roofs, shapes heads and
curves legs in a way of their own: `LetterHabits` follow from the seed. The model hand (seed 0) has
none of them.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from crownlet.datasets.render.letterforms.glyph import Glyph

Style = Literal["beit_yosef", "arizal", "vellish"]

TagForm = Literal["flame", "wedge", "headed", "flag", "bare"]

STYLES: tuple[Style, ...] = ("beit_yosef", "arizal", "vellish")

TAG_FORMS: tuple[TagForm, ...] = ("flame", "wedge", "headed", "flag", "bare")


_HABIT_SEED = 0x6A6D

_DRAWS_PER_LETTER = 8


@dataclass(frozen=True)
class Hand:
    """One scribe. Lengths in q, angles in degrees, the rest ratios; defaults are a model hand."""

    seed: int = 0
    style: Style = "beit_yosef"
    form_seed: int = 0
    """Seed of the hand's own proportions and forms (`own_forms`); 0 keeps those of the model."""
    # proportions
    width: float = 1.0
    slant: float = 0.0
    horizontal: float = 1.0
    vertical: float = 0.7
    joint: float = 0.25
    leg: float = 1.0
    final: float = 1.0
    neck: float = 1.0
    he_gap: float = 0.5
    heel: float = 0.3
    # pen and stroke
    pen_angle: float = 20.0
    taper: float = 0.6
    swell: float = 0.1
    bow: float = 0.0
    flare: float = 0.1
    corner: float = 0.1
    head_tilt: float = 0.0
    # crowns
    tag_form: TagForm = "headed"
    tag_height: float = 0.9
    tag_width: float = 0.16
    tag_root: float = 0.0
    tag_fan: float = 7.0
    tag_lean: float = 0.0
    single_tags: bool = True
    lamed_tags: bool = True
    kotzim: bool = True
    # spacing and justification
    letter_gap: float = 0.35
    word_gap: float = 1.2
    line_pitch: float = 6.0
    stretch_habit: float = 0.5
    # unsteadiness from letter to letter
    jitter: float = 0.3
    rough: float = 0.02

    def form(self, letter: str, stretch: float) -> Glyph | None:
        """The letter, `stretch` q longer, of a hand whose letters are given; None: to be drawn."""
        return None


@dataclass(frozen=True)
class LetterHabits:
    """Each in [-1, 1]; 0 is the model's way."""

    roof_slope: float = 0.0
    """Roofs rise to the left if positive."""
    roof_dip: float = 0.0
    """Roofs are hollow on top, or swell if negative."""
    roof_wedge: float = 0.0
    """Roofs are thicker at the left end."""
    base_slope: float = 0.0
    """Bases fall to the left."""
    base_reach: float = 0.0
    """Bases pass the roof on the left."""
    head_lean: float = 0.0
    """Heads are sheared to the right."""
    head_size: float = 0.0
    head_slope: float = 0.0
    leg_curve: float = 0.0
    """Legs bend outward on their way down."""
    leg_drift: float = 0.0
    """Legs end further right than they begin."""
    leg_weight: float = 0.0
    tip: float = 0.0
    """How legs are cut at the end: low at the right if positive."""
    arm_curve: float = 0.0
    """Arms of shin and ayin sweep in a rounder bow."""
    hanging: float = 0.0
    """The loose leg of he widens to its foot (-1), is a drop (0), or a short leg (1)."""
    fillet: float = 0.0
    """Inner corners are filled."""
    drop: float = 0.0
    roundness: float = 0.0
    """Round corners turn wide."""
    reach: float = 0.0
    """The sweeping legs of lamed and kuf go far left."""
    yud_tilt: float = 0.0
    """Side heads look up."""
    tail: float = 0.0
    """Ayin's foot runs below the base line, gimel's rises."""
    shoulder: float = 0.0
    """The right corners of he, chet and tav are worn round if positive."""
    nib: float = 0.0
    """How the left ends of roofs are cut: standing back below if positive."""
    waist: float = 0.0
    """Walls are thin in the middle."""
    foot: float = 0.0
    """Alef's lower yud is a wedge, tav's foot a long one."""
    leaf: float = 0.0
    """Legs leave the roof thin, swell and end in a point, as a leaf does; near 1 only."""
    flagged: float = 0.0
    """Rounded heads hang down at the left like a flag (1) or rise to their point (-1)."""
    tag_seat: float = 0.0
    """Single tags stand at the left end of a roof, or further in (from 0.1 on, to 1)."""
    belly: float = 0.0
    """The sweeping arms of shin and ayin are broadest below."""
    strong: float = 0.0
    """How far all slopes go beyond a copybook's: from 0 on, to twice as far and more."""
    letter_width: tuple[float, ...] = (0.0,) * 27
    """How much wider than usual each letter is, by its place in the alphabet."""

    loose: float = 0.0
    """From 0 on: how far roofs and bases sag, tilt and taper letter by letter."""
    ways: tuple[float, ...] = (0.0,) * (27 * _DRAWS_PER_LETTER)
    """What a hand may do in its own way in each letter: eight draws for each, by its place."""

    def ways_of(self, letter: str) -> tuple[float, ...]:
        """Eight ways of this hand with `letter`, each in [-1, 1]; its form defines what they do."""
        start = (ord(letter) - 0x5D0) * _DRAWS_PER_LETTER
        return self.ways[start : start + _DRAWS_PER_LETTER]

    def width_of(self, letter: str) -> float:
        """This hand's own leaning in the width of `letter`, in [-1, 1]."""
        return self.letter_width[ord(letter) - 0x5D0]


@lru_cache(maxsize=4096)
def habits_of(seed: int) -> LetterHabits:
    """The habits of the hand with this seed."""
    if seed == 0:
        return LetterHabits()
    rng = np.random.default_rng([seed & 0xFFFFFFFF, seed >> 32, _HABIT_SEED])
    own = {
        field.name: float(rng.uniform(-1, 1))
        for field in fields(LetterHabits)
        if field.name != "loose"
    }
    widths = tuple(rng.uniform(-1, 1, 27).tolist())
    ways = tuple(rng.uniform(-1, 1, 27 * _DRAWS_PER_LETTER).tolist())
    loose = float(rng.uniform(-1, 1))
    return LetterHabits(**{**own, "letter_width": widths, "ways": ways, "loose": loose})  # type: ignore[arg-type]

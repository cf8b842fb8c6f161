"""A hand: everything that makes one scribe's writing his own, drawn by seed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Style = Literal["beit_yosef", "arizal", "vellish"]
TagForm = Literal["flame", "wedge", "headed", "flag", "bare"]
STYLES: tuple[Style, ...] = ("beit_yosef", "arizal", "vellish")
TAG_FORMS: tuple[TagForm, ...] = ("flame", "wedge", "headed", "flag", "bare")


@dataclass(frozen=True)
class Hand:
    """One scribe. Lengths in q, angles in degrees, the rest ratios; defaults are a model hand."""

    seed: int = 0
    style: Style = "beit_yosef"
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

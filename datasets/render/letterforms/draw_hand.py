"""Draws hands by seed: thousands of scribes, each with habits that go together.

A few hidden traits (haste, weight, roundness, show) steer most parameters, so that a hasty hand has
at once more jitter, a rougher edge, plainer crowns and tighter lines. Ranges keep within what the
published rules allow a clean letter (Mishnat Sofrim; Keset HaSofer 5). Manners go beyond what a
copybook shows; each has a share of the hands.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, TypeVar

import numpy as np

from crownlet.datasets.render.letterforms.hand import Hand, Style, TagForm

_T = TypeVar("_T")

Split = Literal["train", "calibrate", "heldout"]

SPLITS: tuple[Split, ...] = ("train", "calibrate", "heldout")

_STYLE_SHARES: tuple[tuple[Style, float], ...] = (
    ("beit_yosef", 0.45),
    ("arizal", 0.30),
    ("vellish", 0.25),
)

# Flames are by far the most common in real writing; bare lines are a fault of a whole hand.
_FORM_SHARES: tuple[tuple[TagForm, float], ...] = (
    ("flame", 0.40),
    ("headed", 0.20),
    ("wedge", 0.16),
    ("flag", 0.11),
    ("bare", 0.13),
)

_OWN_FORMS_SEED = 0x0F10

_GOLDEN_STEP = 0.6180339887498949

_ROOT_STEP = 0.41421356237309515


def draw_manner(rng: np.random.Generator) -> dict[str, Any]:
    """What a hand of a marked manner does otherwise: light, heavy, condensed, old, or none."""
    u = float(rng.random())
    if u < 0.12:  # A pen held steeply: thin uprights.
        return {
            "vertical": float(rng.uniform(0.3, 0.44)),
            "pen_angle": float(rng.uniform(34.0, 50.0)),
            "joint": float(rng.uniform(0.1, 0.2)),
        }
    if u < 0.20:  # Small counters: photographs of old scrolls have such.
        return {
            "horizontal": float(rng.uniform(1.02, 1.28)),
            "vertical": float(rng.uniform(0.7, 0.88)),
            "joint": float(rng.uniform(0.22, 0.44)),
        }
    if u < 0.32:  # Letters drawn together, higher than wide.
        return {
            "width": float(rng.uniform(0.7, 0.86)),
            "vertical": float(rng.uniform(0.38, 0.62)),
        }
    if u < 0.55:  # Old hands: heads askew on legs that bend and taper, joints of any thickness.
        return {
            "head_tilt": float(rng.uniform(2.0, 18.0)),
            "bow": float(rng.uniform(-0.22, 0.26)),
            "pen_angle": float(rng.uniform(22.0, 46.0)),
            "joint": float(rng.uniform(0.1, 0.42)),
            "taper": float(rng.uniform(0.4, 1.0)),
            "vertical": float(rng.uniform(0.4, 0.74)),
            "horizontal": float(rng.uniform(0.86, 1.12)),
        }
    if u < 0.63:  # Short legs, thick to their end.
        return {
            "leg": float(rng.uniform(0.84, 0.93)),
            "vertical": float(rng.uniform(0.68, 0.86)),
            "taper": float(rng.uniform(0.1, 0.4)),
        }
    return {}


def draw_long_limbs(rng: np.random.Generator) -> dict[str, Any]:
    """Necks and final legs long enough to enter the lines above and below, in some hands."""
    proud = {}
    if rng.random() < 0.13:
        proud["neck"] = float(rng.uniform(1.12, 1.24))
    if rng.random() < 0.15:
        proud["final"] = float(rng.uniform(1.2, 1.9))
    return proud


@dataclass(frozen=True)
class _Traits:
    """Hidden traits in 0..1 from which habits follow."""

    haste: float
    weight: float
    roundness: float
    show: float


def draw_hand(seed: int, split: Split = "train", own_forms: float = 1.0) -> Hand:
    """The hand of this seed and split.

    `own_forms` is the share of hands that have proportions and forms of their own; the others have
    the model's. A hand that has them with one share has them with every larger one.

    The same (seed, split) gives the same hand. Splits are disjoint: `Hand.seed` is a hash of both
    whose two lowest bits name the split (`split_of`), so no hand can occur in two of them. Styles
    and tag forms are spread evenly over consecutive seeds: any 30 of them hold all.

    Raises ValueError on an unknown split or a negative seed.
    """
    if split not in SPLITS:
        raise ValueError(f"unknown split {split!r}, expected one of {', '.join(SPLITS)}")
    if seed < 0:
        raise ValueError(f"a hand's seed must not be negative, got {seed}")
    place = SPLITS.index(split)
    state = np.random.SeedSequence([seed, place]).generate_state(1, np.uint64)[0]
    identity = ((int(state) >> 3) << 2) | place
    rng = np.random.default_rng([identity & 0xFFFFFFFF, identity >> 32])
    start = 0.37 * place
    style = _choose_by_share(_STYLE_SHARES, (start + seed * _GOLDEN_STEP) % 1.0)
    form = _choose_by_share(_FORM_SHARES, (start + seed * _ROOT_STEP) % 1.0)
    return _fill_hand(identity, style, form, _has_own_forms(identity, own_forms), rng)


def _has_own_forms(identity: int, share: float) -> bool:
    """Whether a hand is among the share of those with forms of their own."""
    draw = np.random.default_rng([identity & 0xFFFFFFFF, identity >> 32, _OWN_FORMS_SEED]).random()
    return float(draw) < share


def split_of(hand: Hand) -> Split:
    """The split for which `draw_hand` drew this hand."""
    return SPLITS[hand.seed & 3]


def _fill_hand(
    identity: int, style: Style, form: TagForm, own_forms: bool, rng: np.random.Generator
) -> Hand:
    """Fill in every parameter from hidden traits and own chance."""
    traits = _Traits(*(float(v) for v in rng.beta((1.3, 2.2, 2.0, 2.0), (2.2, 2.2, 2.0, 2.0))))
    drawn = {
        **_draw_proportions(traits, rng),
        **_draw_stroke(traits, rng),
        **_draw_crowns(traits, form, rng),
        **_draw_spacing(traits, rng),
        **draw_manner(rng),
        **draw_long_limbs(rng),
    }
    if own_forms:
        drawn = _apply_style(style, drawn) | {"form_seed": identity}
    return Hand(seed=identity, style=style, tag_form=form, **drawn)


def _apply_style(style: Style, drawn: dict[str, Any]) -> dict[str, Any]:
    """What was drawn, as the style's pen is cut and held: the Arizal's slants, Vellish is level."""
    pen = {"beit_yosef": 0.0, "arizal": 8.0, "vellish": -6.0}[style]
    flare = {"beit_yosef": 0.0, "arizal": 0.03, "vellish": -0.04}[style]
    angle = min(50.0, max(2.0, drawn["pen_angle"] + pen))
    return drawn | {"pen_angle": angle, "flare": min(0.25, max(0.0, drawn["flare"] + flare))}


def _draw_proportions(traits: _Traits, rng: np.random.Generator) -> dict[str, Any]:
    """How wide, heavy, long and upright the letters are."""
    return {
        "width": _draw_normal(rng, 1.0 - 0.04 * traits.weight, 0.08, 0.86, 1.18),
        "slant": _draw_normal(rng, 0.0, 1.6, -4.0, 4.0),
        "horizontal": _draw_normal(rng, 0.85 + 0.14 * traits.weight, 0.06, 0.72, 1.06),
        "vertical": _draw_normal(rng, 0.49 + 0.32 * traits.weight, 0.06, 0.40, 0.86),
        "joint": _draw_normal(rng, 0.20 + 0.12 * traits.weight, 0.05, 0.1, 0.4),
        "leg": _draw_normal(rng, 1.0 - 0.03 * traits.haste, 0.04, 0.90, 1.10),
        "final": _draw_normal(rng, 1.03 + 0.08 * traits.show, 0.05, 1.0, 1.2),
        "neck": _draw_normal(rng, 1.0 + 0.06 * traits.show, 0.06, 0.88, 1.15),
        "he_gap": _draw_normal(rng, 0.54 - 0.10 * traits.haste, 0.14, 0.25, 0.80),
        "heel": _draw_normal(rng, 0.28 + 0.06 * traits.show, 0.06, 0.15, 0.42),
    }


def _draw_stroke(traits: _Traits, rng: np.random.Generator) -> dict[str, Any]:
    """What the pen leaves: angle, taper, swelling, softness of corners, roughness of edge."""
    return {
        "pen_angle": _draw_normal(rng, 20.0, 9.0, 2.0, 42.0),
        "taper": _draw_normal(rng, 0.62, 0.2, 0.15, 1.0),
        "swell": _draw_normal(rng, 0.10 + 0.05 * traits.roundness, 0.05, 0.0, 0.25),
        "bow": _draw_normal(rng, 0.0, 0.05 + 0.04 * traits.haste, -0.15, 0.15),
        "flare": _draw_normal(rng, 0.10 + 0.06 * traits.show, 0.06, 0.0, 0.28),
        "corner": _draw_normal(rng, 0.05 + 0.14 * traits.roundness, 0.03, 0.02, 0.24),
        "head_tilt": _draw_normal(rng, 1.0, 3.5, -7.0, 10.0),
        "jitter": _draw_normal(rng, 0.12 + 0.55 * traits.haste, 0.08, 0.05, 0.9),
        "rough": _draw_normal(rng, 0.010 + 0.025 * traits.haste, 0.005, 0.004, 0.045),
    }


def _draw_crowns(traits: _Traits, form: TagForm, rng: np.random.Generator) -> dict[str, Any]:
    """Height, thickness and lie of the tags, and which of the customary ones are written."""
    tall = rng.random() < 0.16
    height = 0.9 + 0.6 * traits.show - 0.3 * traits.haste
    height += float(rng.uniform(0.8, 2.2)) if tall else 0.0
    lean = 6.0 if form in ("flame", "flag") else 4.0
    fine = form != "bare" and rng.random() < 0.5
    together = rng.random() < 0.18
    fan = -4.0 if together else 6.0 + 3.0 * traits.show
    return {
        "tag_height": _draw_normal(rng, height, 0.2, 0.6, 3.5),
        "tag_width": _draw_normal(rng, 0.15 + 0.07 * traits.weight, 0.025, 0.12, 0.28),
        "tag_root": float(rng.uniform(0.065, 0.11)) if fine else 0.0,
        "tag_fan": _draw_normal(rng, fan, 3.0, -9.0, 16.0),
        "tag_lean": _draw_normal(rng, 0.0, lean, -14.0, 14.0),
        "single_tags": bool(rng.random() < 0.70),
        "lamed_tags": bool(rng.random() < 0.50),
        "kotzim": bool(rng.random() < 0.75 - 0.25 * traits.haste),
    }


def _draw_spacing(traits: _Traits, rng: np.random.Generator) -> dict[str, Any]:
    """Gaps and lines; some hands crowd, and a crowding hand leaves narrow word gaps too."""
    crowd = rng.random() < 0.2
    letter = 0.22 if crowd else 0.38 + 0.10 * traits.show
    word = 0.95 if crowd else 1.35 + 0.2 * traits.show
    return {
        "letter_gap": _draw_normal(rng, letter, 0.09, 0.15, 0.80),
        "word_gap": _draw_normal(rng, word, 0.25, 0.80, 2.20),
        "line_pitch": _draw_normal(
            rng, 5.9 - 0.6 * traits.haste + 0.4 * traits.show, 0.55, 4.5, 7.0
        ),
        "stretch_habit": _draw_normal(rng, 0.5, 0.25, 0.0, 1.0),
    }


def _draw_normal(
    rng: np.random.Generator, mean: float, spread: float, low: float, high: float
) -> float:
    """A normal draw held inside [low, high]."""
    return min(high, max(low, mean + spread * float(rng.standard_normal())))


def _choose_by_share(shares: tuple[tuple[_T, float], ...], u: float) -> _T:
    """The entry into whose share of [0, 1) the number `u` falls."""
    for value, share in shares:
        if u < share:
            return value
        u -= share
    return shares[-1][0]

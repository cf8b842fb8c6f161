"""How each hand draws each letter: proportions and forms, drawn once for a hand and a letter.

A scribe has one manner for the whole alphabet (`Manner`) and one way for each letter (`LetterForm`)
around it. What a hand does in every letter is its clean writing; a fault is what departs from that.
Ranges follow widths, depths and strokes measured in scrolls and in medieval book hands (no printed
source; the rules name ideals, and a letter that a reader knows stays one: Orach Chayim 36:1 gloss).
Borders between two letters lie elsewhere in each hand, and in every hand they are kept: its resh is
rounder than its dalet, its yud shorter than its vav (`MIN_RADIUS_EXCESS_Q`, `MIN_YUD_SHORTNESS_Q`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from crownlet.datasets.render.letterforms.hand import Style

_FORM_SEED = 0x0F12

_FORM_DRAWS_PER_LETTER = 16

MODEL_HAND_SHARE = 0.25
"""Share of hands that stay close to the model's proportions."""

MIN_RADIUS_EXCESS_Q = 0.38
"""Least q by which the radius of a round letter passes that of the cornered letter like it."""

MIN_YUD_SHORTNESS_Q = 0.68
"""Least q by which a hand's yud is shorter than its vav."""

SOFT_CORNER_RADIUS_Q = 0.45
"""Radius in q from which a hand's corners look the same as corners rounded by a defect, which are
plain from 0.7 q on. Softer hands below it have clean corners, and are labelled so: what is never
labelled is called a fault by a network that has seen only the sharp and the spoilt."""

SHARP_ARC_RADIUS_Q = 0.65
"""Radius in q of a round place below which the hand draws it near a corner."""

NOTICED_LENGTH_Q, NOTICED_FINAL_LENGTH_Q = 0.35, 0.6
"""q by which a hand's vav is shorter, or its yud longer, than the model's where a reader who does
not know the hand may take it for a fault; q for final letters. Plain faults begin 0.1 q beyond."""

HEELLESS_RADIUS_EXCESS_Q = 0.5
"""q more of that in a hand which draws no heels: its round letters are rounder still."""

CLOSE_HE_DRAW = 0.3
"""First draw of he's form from which its leg hangs close under the roof, so that the plain chet of
the hand stands on full necks."""

MIN_HE_GAP_Q = 0.32
"""Least gap in q that he's leg is given under its roof. Unsteadiness takes up to 0.14 q of it, ink
0.08: book hands bring the leaf-shaped leg as close (looked at)."""

MIN_FINAL_NUN_Q, MIN_FINAL_KAF_RATIO = 4.1, 1.85
"""Length in q below which a final nun, and ratio of leg and roof below which a final kaf, may be
taken for short (Mishnat Sofrim: four pens with its head; twice the roof)."""

SLIGHT_HEEL_Q, SLIGHT_KOTZ_Q = 0.1, 0.28
"""Heel in q below which a heel left out by the hand looks the same; length of yud's prickle."""

_CORNERED_LOOKALIKES = {"ר": "ד", "ך": "ד", "כ": "ב", "ס": "ם"}
"""Round letters, and the one that a corner makes of them (Shabbat 103b)."""

_UPRIGHT_LETTERS, _BASED_LETTERS, _BROAD_BASED_LETTERS = "זןגץ", "בכנפצעטשמםס", "נצעש"
"""Letters whose limbs do not spread; that have a base which may fall to the left; that keep it at
least as far left as their heads (Mishnat Sofrim, nun, tsadi)."""

_NARROWING_SHARES = dict.fromkeys("וזין", 0.0) | {
    "ג": 0.45, "נ": 0.6, "ך": 0.4, "ל": 0.7, "ץ": 0.8, "א": 0.8, "ש": 0.8, "ט": 0.8, "ק": 0.8,
    "פ": 1.35, "ף": 1.2, "ע": 1.25,
}  # fmt: skip
"""How far a letter follows its hand's narrowness; 1 for the rest. Single strokes do not."""


_MAX_FINAL_SHORTNESS_Q = {"ך": 1.2, "ן": 1.5, "ץ": 1.2}
"""Most q by which a hand of short legs keeps final letters shorter than the model's."""

_MODEL_RADIUS_Q = {"ר": 0.9, "ך": 0.85, "כ": 1.0, "ס": 0.85}


@dataclass(frozen=True)
class Manner:
    """What all letters of a hand have in common. Lengths in q, the rest ratios."""

    reach: float = 0.0
    """How far the hand goes from the model, 0 to 1."""
    dense: float = 1.0
    """Width of its letters against the model's."""
    soft: float = 0.0
    """Radius of its corners."""
    hair: float = 0.0
    """0 to 1: how far thin strokes go down to hairlines."""
    bud: float = 0.0
    """0 to 1: how round its heads are."""
    splay: float = 0.0
    """q by which right limbs stand further right at the base line than under the roof."""
    lap: float = 0.0
    """q by which left limbs and bases reach further left there, or recede if negative."""
    sink: float = 0.0
    """q by which bases fall to the left."""
    horn: float = 0.0
    """q by which the left ends of roofs and heads are hollowed."""
    belly: float = 0.0
    """q by which right limbs bend outward between roof and base, inward if negative."""
    hollow: float = 0.0
    """q by which left limbs do so."""
    arch: float = 0.0
    """q by which roofs arch upward."""
    rock: float = 0.0
    """q by which bases bend downward in their middle."""
    low: float = 0.0
    """0 to 1: how short it keeps vav, yud, final letters and the sweep of lamed."""
    plain: float = 0.0
    """0 to 1: how far it leaves heels out, corner and arc alone telling letters apart."""
    pack: float = 0.0
    """0 to 1: how far letters are pushed into each other's space."""


@dataclass(frozen=True)
class LetterForm:
    """One letter of a hand. Lengths in q, the rest ratios; defaults are the model's."""

    width: float = 1.0
    upright: float = 1.0
    """Thickness of uprights."""
    level: float = 1.0
    """Thickness of roofs and bases."""
    corner: float = 0.0
    """Radius of corners that the model has sharp."""
    arc: float = 0.0
    """How much wider than the model's its round corners are."""
    hair: float = 0.0
    """0 to 1: how far its thin strokes go down to hairlines."""
    splay: float = 0.0
    """As in `Manner`, as are the seven that follow."""
    lap: float = 0.0
    sink: float = 0.0
    horn: float = 0.0
    belly: float = 0.0
    hollow: float = 0.0
    arch: float = 0.0
    rock: float = 0.0
    under: float = 0.0
    """Radius of the lower corners of the final mem, of the lower right corner of mem."""
    heel: float = 1.0
    tag: float = 1.0
    depth: float = 0.0
    """0 to 1: how far a tail sinks below the base line."""
    short: float = 0.0
    """q by which a leg ends above the model's."""
    low: float = 0.0
    """As in `Manner`, as is the one that follows."""
    plain: float = 0.0
    bud: float = 0.0
    """0 to 1: how round its heads are."""
    forms: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0)
    """Draws in [0, 1) which choose among forms, 0 the model's; the letter defines what they do."""


_STYLE_MANNERS: dict[Style, Manner] = {
    "beit_yosef": Manner(), "arizal": Manner(hair=0.15, horn=0.03),
    "vellish": Manner(soft=0.12, bud=0.35),
}  # fmt: skip
"""What a style adds to each of its hands."""

_MODEL_MANNER, MODEL_FORM = Manner(), LetterForm()


@lru_cache(maxsize=1024)
def manner_of(seed: int, style: Style) -> Manner:
    """The manner of the hand with this seed; that of the model for seed 0."""
    if seed == 0:
        return _MODEL_MANNER
    rng = np.random.default_rng([seed & 0xFFFFFFFF, seed >> 32, _FORM_SEED])
    u = rng.random(3)
    reach = 0.15 if u[0] < MODEL_HAND_SHARE else float(0.55 + 0.45 * u[1])
    soft, hair, bud = rng.beta((1.1, 0.8, 1.2), (1.4, 0.8, 1.5))
    low = min(1.0, max(0.0, 1.9 * float(u[2]) - 0.8))
    # Vellish is written round, the Arizal's script with a slanting pen and crisp ends.
    own = _STYLE_MANNERS[style]
    return Manner(
        reach=reach,
        dense=float(np.exp(-reach * rng.uniform(-0.05, 0.56))),
        soft=float(np.clip(reach * (0.75 * soft - 0.04) + own.soft, 0.0, 0.6)),
        hair=min(1.0, reach * float(hair) + own.hair),
        bud=min(1.0, max(0.0, reach * (float(bud) - 0.1) + own.bud)),
        pack=reach * float(rng.beta(1.5, 1.0)),
        splay=reach * float(rng.uniform(-0.1, 0.75)),
        lap=reach * float(rng.uniform(-0.26, 0.26)),
        sink=reach * float(rng.uniform(-0.06, 0.36)),
        horn=reach * float(rng.beta(1.0, 2.0)) * 0.2 + own.horn,
        belly=reach * float(rng.uniform(-0.18, 0.24)),
        hollow=reach * float(rng.uniform(-0.16, 0.16)),
        arch=reach * float(rng.uniform(-0.12, 0.16)),
        rock=reach * float(rng.uniform(-0.1, 0.16)),
        low=reach * low,
        plain=reach * min(1.0, max(0.0, 1.8 * float(rng.random()) - 0.8 + 0.7 * low)),
    )


@lru_cache(maxsize=1024)
def _letter_draws(seed: int) -> list[list[float]]:
    """Draws in [0, 1) for each of the 27 letters of a hand."""
    rng = np.random.default_rng([seed & 0xFFFFFFFF, seed >> 32, _FORM_SEED + 1])
    table: list[list[float]] = rng.random((27, _FORM_DRAWS_PER_LETTER)).tolist()
    return table


@lru_cache(maxsize=16384)
def form_of(seed: int, style: Style, letter: str) -> LetterForm:
    """How the hand with this seed draws `letter`; as the model does for seed 0."""
    if seed == 0:
        return MODEL_FORM
    manner = manner_of(seed, style)
    reach = manner.reach
    u = _letter_draws(seed)[ord(letter) - 0x5D0]
    corner = _corner_radius(seed, style, letter)
    arc = reach * (0.75 * u[4] - 0.45)
    if letter in _CORNERED_LOOKALIKES:
        like = _corner_radius(seed, style, _CORNERED_LOOKALIKES[letter])
        if letter == "ס":
            like = max(like, _lower_corner_radius(seed, manner, "ם"))
        more = MIN_RADIUS_EXCESS_Q + HEELLESS_RADIUS_EXCESS_Q * manner.plain
        arc = max(arc, like + more - _MODEL_RADIUS_Q[letter])
    return LetterForm(
        width=_width_ratio(letter, manner, u[0]),
        upright=float(np.exp(reach * (0.75 * u[1] - 0.47))),
        level=1.0 + reach * (0.28 * u[2] - 0.2),
        corner=corner,
        arc=arc + 0.12 * (style == "vellish"),
        hair=min(1.0, max(0.0, manner.hair + reach * (0.9 * u[5] - 0.5))),
        splay=0.0 if letter in _UPRIGHT_LETTERS else manner.splay + 0.2 * reach * (u[6] - 0.5),
        lap=_left_overlap(letter, manner, u[7]),
        sink=max(0.0, manner.sink + 0.1 * reach * (u[9] - 0.5))
        if letter in _BASED_LETTERS
        else 0.0,
        horn=manner.horn,
        belly=_limb_bend(letter, manner.belly, 0.16 * reach * (u[12] - 0.5)),
        hollow=_limb_bend(letter, manner.hollow, 0.16 * reach * (u[13] - 0.5)),
        arch=_limb_bend(letter, manner.arch, 0.12 * reach * (u[14] - 0.5)),
        rock=_limb_bend(letter, manner.rock, 0.12 * reach * (u[15] - 0.5)),
        under=_lower_corner_radius(seed, manner, letter),
        # A hand of soft corners tells dalet and bet by their heels, or by rounder arcs.
        heel=(1.0 - manner.plain)
        * max(1.0 - reach * (1.15 * u[6] - 0.35), 0.4 + 1.1 * corner if corner > 0.2 else 0.0),
        tag=float(np.exp(reach * (1.0 * u[7] - 0.45))),
        depth=reach * (0.25 + 0.75 * u[8]),
        short=_leg_shortness(seed, manner, letter),
        low=manner.low,
        plain=manner.plain,
        bud=min(1.0, max(0.0, manner.bud + 0.5 * reach * (u[9] - 0.5))),
        forms=(
            reach * u[10],
            reach * u[11],
            # Vellish has the round forms of shin and ayin as a rule.
            min(1.0, reach * u[3] + 0.45) if style == "vellish" else reach * u[3],
            reach * u[8],
        ),
    )


def _corner_radius(seed: int, style: Style, letter: str) -> float:
    """Radius of the letter's corners, about that of the whole hand."""
    manner = manner_of(seed, style)
    u = _letter_draws(seed)[ord(letter) - 0x5D0]
    return min(0.6, max(0.0, manner.soft + manner.reach * 0.24 * (u[3] - 0.5)))


def _lower_corner_radius(seed: int, manner: Manner, letter: str) -> float:
    """Radius of lower corners that some hands round more than upper ones."""
    if letter not in "מם":
        return 0.0
    u = _letter_draws(seed)[ord(letter) - 0x5D0]
    return manner.reach * max(0.0, 1.05 * ((u[2] + u[15]) % 1.0) - 0.3)


def _leg_shortness(seed: int, manner: Manner, letter: str) -> float:
    """q by which a leg ends higher than the model's; yud's too, so that it is shorter than vav."""
    draws = _letter_draws(seed)
    if letter in _MAX_FINAL_SHORTNESS_Q:
        return (
            manner.low
            * _MAX_FINAL_SHORTNESS_Q[letter]
            * (0.7 + 0.3 * draws[ord(letter) - 0x5D0][8])
        )
    if letter not in "וי":
        return 0.0
    vav = manner.reach * max(0.0, 0.8 * draws[5][8] - 0.3)
    vav = max(vav, manner.low * (0.6 + 0.5 * draws[5][8]))
    if letter == "ו":
        return vav
    own = manner.reach * (0.5 * draws[9][8] - 0.25)
    return max(own, vav + MIN_YUD_SHORTNESS_Q - 1.0)


def _left_overlap(letter: str, manner: Manner, u: float) -> float:
    """How far the letter's lower left reaches out, or recedes."""
    if letter in _UPRIGHT_LETTERS + "ויק":
        return 0.0
    lap = manner.lap + 0.16 * manner.reach * (u - 0.5)
    return max(0.0, lap) if letter in _BROAD_BASED_LETTERS else lap


def _limb_bend(letter: str, hand: float, own: float) -> float:
    """How far limbs bend: not at all in single upright strokes, and never into kaf's counter."""
    if letter in "זן":
        return 0.0
    return max(0.0, hand + own) if letter == "כ" else hand + own


def _width_ratio(letter: str, manner: Manner, u: float) -> float:
    """Width against the model's: that of the hand, and this letter's own."""
    if letter == "ו":
        return float(np.exp(manner.reach * (0.34 * u - 0.02)))
    if letter == "י":
        return float(np.exp(manner.reach * (0.24 * u - 0.1)))
    follows = _NARROWING_SHARES.get(letter, 1.0)
    own = manner.reach * (0.26 * u - 0.14) * (0.5 + 0.5 * follows)
    return float(np.clip(manner.dense**follows * np.exp(own), 0.62, 1.16))

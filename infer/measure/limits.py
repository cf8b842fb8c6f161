"""From which lengths on a defect is there or not there: two limits per measure, and their sources.

A book's number is taken where one gives it. Otherwise a limit lies between what the renderer draws
plainly and what it draws faultlessly, by calibration hands at 64 px a body (`whole` is the least,
or the most, of 1709 faultless letters). Between the two limits the answer is "unclear".
"""

from __future__ import annotations

from dataclasses import dataclass

from crownlet.infer.records import MeasureClaim

ALL_LETTERS = "אבגדהוזחטיךכלםמןנסעףפץצקרשת"


@dataclass(frozen=True)
class MeasureLimit:
    """`there` at or beyond the one value, `not_there` at or beyond the other, in q."""

    name: str
    defect: str
    letters: str
    there: float
    not_there: float
    why: str

    def answer(self, q: float) -> MeasureClaim:
        """Whether a length in q shows the defect."""
        sign = 1.0 if self.there > self.not_there else -1.0
        if sign * (q - self.there) >= 0.0:
            return "there"
        return "not_there" if sign * (q - self.not_there) <= 0.0 else "unclear"


_WHY_ONE_BODY = (
    "One body is required and any white counts (OC 36:2; MB 36:8-9); 0.1 is the error allowed to "
    "the measure, plainly rendered whites are 0.16 and more"
)

_WHY_NO_CONTACT = (
    "Any contact counts, any white is none (OC 32:18; MB 32:82-83; Keset 5:3); 0.1 is the error "
    "allowed to the measure, and the least that the renderer leaves without touching"
)

MEASURE_LIMITS = (
    MeasureLimit("part_gap", "part_loose", ALL_LETTERS, 0.10, 0.0, _WHY_ONE_BODY),
    MeasureLimit("break_gap", "stroke_broken", ALL_LETTERS, 0.10, 0.0, _WHY_ONE_BODY),
    MeasureLimit("tag_gap", "tag_loose", ALL_LETTERS, 0.10, 0.0, _WHY_ONE_BODY + " (MB 36:13)"),
    MeasureLimit("opening", "ring_open", "סם", 0.10, 0.0, _WHY_ONE_BODY + " (Keset 5:3)"),
    MeasureLimit("leg_gap", "leg_touches_roof", "הק", 0.0, 0.10, _WHY_NO_CONTACT),
    MeasureLimit(
        "head_gap",
        "heads_touch",
        "טעצץש",
        0.0,
        0.10,
        _WHY_NO_CONTACT + " (MS shin, tet, ayin, tsadi)",
    ),
    MeasureLimit("opening", "ring_closed", "מפף", 0.0, 0.10, _WHY_NO_CONTACT + " (MS mem, pe)"),
    MeasureLimit(
        "foot_drop",
        "foot_level",
        "ג",
        0.0,
        0.09,
        "The right foot a little lower (MS gimel); rendered as doubtful below 0.09",
    ),
    MeasureLimit(
        "heel",
        "heel_missing",
        "בד",
        0.05,
        0.20,
        "A heel (MS bet, dalet) of 0.3 in the model; whole 0.23 in bet, 0.16 in dalet",
    ),
    MeasureLimit(
        "kotz",
        "kotz_missing",
        "י",
        0.03,
        0.10,
        "Hardly more than a dot (MS yud); whole 0.12, plainly missing at most 0.02",
    ),
    MeasureLimit(
        "tag_height",
        "tag_missing",
        ALL_LETTERS,
        0.15,
        0.42,
        "Stumps from 0.27 down are no longer rendered as tags, below 0.12 plainly not",
    ),
    MeasureLimit(
        "leg_length",
        "leg_short",
        "דר",
        1.30,
        1.60,
        "A yud's length is spoken of (MS dalet, resh), with its head 1.5 to 2.1; whole 1.64",
    ),
    MeasureLimit("leg_length", "leg_short", "ה", 1.30, 1.65, "As dalet (OC 32:15); whole 1.70"),
    MeasureLimit(
        "leg_length",
        "leg_short",
        "ך",
        2.60,
        3.20,
        "Twice the roof (MS final kaf), which is 1.4 to 1.9 under its white; whole 3.08",
    ),
    MeasureLimit(
        "leg_length",
        "leg_short",
        "ף",
        2.00,
        3.00,
        "A yud's length below the drop, which ends at 0.9 (MS final pe); whole 3.10",
    ),
    MeasureLimit(
        "leg_length",
        "leg_short",
        "ת",
        1.45,
        1.75,
        "Only as long as a yud it makes a final pe (MS tav); whole 1.77",
    ),
    MeasureLimit(
        "left_leg_length",
        "leg_short",
        "ה",
        0.85,
        1.20,
        "A yud with its point (OC 32:15; MB 32:40), of which the leg is 0.8; whole 1.01",
    ),
    MeasureLimit(
        "left_leg_length",
        "leg_short",
        "ק",
        1.70,
        2.35,
        "A slightly short final nun (MS kuf); whole 2.34, plainly short at most 1.74",
    ),
    MeasureLimit(
        "length",
        "leg_short",
        "ו",
        2.45,
        2.70,
        "One of head and two of leg (MS vav); whole 2.64, plainly short at most 2.49",
    ),
    MeasureLimit(
        "length",
        "leg_short",
        "ז",
        2.10,
        2.65,
        "One of head, at most two of leg (MS zayin); whole 2.64, plainly short at most 2.03",
    ),
    MeasureLimit("length", "leg_short", "י", 1.35, 1.55, "A short leg (MS yud); whole 1.50"),
    MeasureLimit(
        "length",
        "leg_short",
        "ן",
        3.90,
        4.15,
        "At least four with its head (MS final nun), less and more the measure's error",
    ),
    MeasureLimit(
        "length",
        "leg_short",
        "ץ",
        3.60,
        4.50,
        "Long enough to fold (MS final tsadi); whole 4.51, plainly short at most 3.69",
    ),
    MeasureLimit(
        "leg_length",
        "leg_long",
        "דר",
        2.95,
        2.40,
        "Longer than the roof it is like a final kaf (MS dalet, resh); whole 2.37",
    ),
    MeasureLimit(
        "length", "leg_long", "ו", 3.60, 3.30, "Near the four of a final nun (MS vav); whole 3.26"
    ),
    MeasureLimit("length", "leg_long", "ז", 3.35, 3.00, "As vav (MS zayin); whole 2.98"),
    MeasureLimit(
        "length", "leg_long", "י", 2.45, 2.20, "Near the three of a vav (MS yud); whole 2.17"
    ),
    # No defect: "there" is a hump, "not_there" a flat roof; customs say which is looked for.
    MeasureLimit(
        "roof_end",
        "custom_form",
        "ח",
        0.45,
        0.65,
        "The white under a hump (MS chet) reaches the height of the heads: at most 0.38 in 324 "
        "humped chets by calibration hands, at least 0.74 in 108 flat ones",
    ),
)

_BY_KEY = {
    (limit.name, limit.defect, letter): limit
    for limit in MEASURE_LIMITS
    for letter in limit.letters
}


def limit_of(name: str, defect: str, letter: str) -> MeasureLimit | None:
    """The limits of a measure on a letter; None where it has none."""
    return _BY_KEY.get((name, defect, letter))


def nearer_limit(name: str, letter: str, q: float) -> MeasureLimit | None:
    """Of a length that may be too short or too long, the limits of the side on which it lies."""
    short, long = (limit_of(name, defect, letter) for defect in ("leg_short", "leg_long"))
    if short is None or long is None:
        return short or long
    return long if q > (short.not_there + long.not_there) / 2 else short

"""From which lengths on a defect is there or not there: two limits per measure, and their sources.

A book's number is taken where one gives it. Otherwise a limit lies between what the renderer draws
plainly and what it draws faultlessly, by calibration hands at 64 px a body (`whole` is the least,
or the most, of 1709 faultless letters). Between the two limits the answer is "unclear".
"""

from __future__ import annotations

from dataclasses import dataclass

from crownlet.infer.limits import limits_of
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

    def answer(self, q: float) -> MeasureClaim:
        """Whether a length in q shows the defect."""
        sign = 1.0 if self.there > self.not_there else -1.0
        if sign * (q - self.there) >= 0.0:
            return "there"
        return "not_there" if sign * (q - self.not_there) <= 0.0 else "unclear"


MEASURE_LIMITS = tuple(
    MeasureLimit(
        name=row["name"],
        defect=row["defect"],
        letters=ALL_LETTERS if row["letters"] == "all" else row["letters"],
        there=float(row["there"]),
        not_there=float(row["not_there"]),
    )
    for row in limits_of("measure.limits").rows("table")
)
"""The table of `limits.yaml`, where the source of each row stands beside it."""

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

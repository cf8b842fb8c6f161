"""Where a letter or gap goes: clear, review or finding, and for what reasons.

A route says where an examiner should look; it is never a decision about the letter.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

from crownlet.infer.records import Route
from crownlet.infer.thresholds import Thresholds

DOUBT = "shape_doubt"
SWAPPED, EXTRA, ABSENT = "letter_swapped", "letter_extra", "letter_absent"
UNLIKELY = 0.02
"""A letter with less probability than this is hardly seen where another one is read."""

_RANK: dict[Route, int] = {"clear": 0, "review": 1, "finding": 2}
Reason = tuple[str, Route]


def higher(*routes: Route) -> Route:
    """The most urgent of several routes."""
    return max(routes, key=_RANK.__getitem__, default="clear")


def merged(reasons: list[Reason]) -> tuple[Route, tuple[str, ...]]:
    """One route and the reasons for it, most urgent first, each once."""
    ordered = sorted(reasons, key=lambda reason: -_RANK[reason[1]])
    return higher(*(route for _, route in reasons)), tuple(dict.fromkeys(n for n, _ in ordered))


def sure(reasons: list[Reason]) -> tuple[str, ...]:
    """The reasons that are findings by themselves, each once."""
    return tuple(dict.fromkeys(name for name, route in reasons if route == "finding"))


def defect_reasons(
    p: Mapping[str, float | None], thresholds: Thresholds, skipped: Collection[str] = ()
) -> list[Reason]:
    """Reasons from probabilities, surest first; `skipped` defects have none.

    A doubt of shape has its own borders: see `letter_reasons`.
    """
    reasons: list[Reason] = []
    for name, value in sorted(p.items(), key=lambda item: -(item[1] or 0.0)):
        if value is None or name in skipped or name == DOUBT:
            continue
        pair = thresholds.of(name)
        if value >= pair.finding:
            reasons.append((name, "finding"))
        elif value >= pair.clear:
            reasons.append((name, "review"))
    return reasons


def letter_reasons(
    letter: str,
    letter_p: float,
    expected: str | None,
    expected_p: float,
    thresholds: Thresholds,
) -> list[Reason]:
    """Reasons from the class: a doubtful shape, another letter than expected, an extra letter.

    `expected` is None when nothing is known of the text and "" for an extra letter; `expected_p` is
    the probability of the expected letter.
    """
    sure = letter_p >= thresholds.swapped_p
    if expected is None:
        return [(DOUBT, "review")] if letter_p < thresholds.letter_p else []
    if expected == "":
        return [(EXTRA, "finding" if sure else "review")]
    if expected == letter:
        return [(DOUBT, "review")] if letter_p < thresholds.letter_p_expected else []
    if sure and expected_p <= UNLIKELY:
        return [(SWAPPED, "finding")]
    return [(SWAPPED, "review"), (DOUBT, "review")]

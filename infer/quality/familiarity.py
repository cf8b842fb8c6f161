"""Is this the square script, in a hand of the kinds over which the promise was made?

That is asked once of a page, not of its letters, which are judged among their own hand. The page is
described by how far its letters stand from the usual forms, in the numbers from which the assessor
reads them, and by how alike letters of one kind are: type repeats itself as no hand does.

For single letters there are two signs. The surprise of the networks, in nats: their entropy over
the letters, less the logarithm of the probability that both mean the same letter ("no letter" is no
letter). And the shape: a box narrower, deeper or shallower than is usual for the letter. A wider
box is a stretched letter, which is a defect of its own, and how high crowns stand is a habit of the
hand. Both describe a page, as the share of its letters beyond the bounds; they route letters only
where the networks do not give the numbers by which a letter is judged among its own hand.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
import numpy.typing as npt
import yaml

from crownlet.datasets.scribal.alphabet import ALPHABET, index_of
from crownlet.infer.hand_records import HandFamiliarity
from crownlet.infer.limits import limits_of
from crownlet.infer.records import Assessed, Bools, Floats, Ints, Located
from crownlet.infer.thresholds import FamiliarityBounds, StretchCurve

_LIMITS = limits_of("quality.familiarity")

OWN_HAND_WEIGHT = _LIMITS.number("own_hand_weight")
"""From this many on, the page's other examples of a letter outweigh the rendered hands."""

MIN_LETTERS_FOR_HAND = _LIMITS.whole("min_letters_for_hand")
"""Half of this many letters lie in the last twentieth by chance once in 2,700 pages (binomial)."""


MAX_HAND_DISTANCE = _LIMITS.number("max_hand_distance")
"""Largest distance of a known hand's letters to the usual forms, as a share of the distance to the
nearest other form. By networks 0.7.0 fourteen faultless mezuzot by held-out hands have 0.35 to
0.48, twelve fragments 0.34 to 0.56, two italic typefaces 0.53 to 0.56, nine pages by scribes of the
Middle Ages 0.67 to 0.84."""

MIN_DISTANCE_OF_TYPE = _LIMITS.number("min_distance_of_type")
"""Least such distance of a page taken for type: a short faultless page by a hand of the renderer
can be as even, and is nearer. Type has 0.41 and more (networks 0.7.0)."""

MIN_UNEVENNESS = _LIMITS.number("min_unevenness")
"""Letters of one kind that differ less than this are like type, which has 0.06 to 0.08 (italics
0.09 to 0.17), also in the style of scribes; of fourteen faultless mezuzot one, by a very even drawn
hand, has 0.08, the others 0.10 to 0.30, scribes of the Middle Ages 0.38 and more (0.7.0)."""

MIN_AGREEMENT_OF_UNLIKE_HAND = _LIMITS.number("min_agreement_of_unlike_hand")
"""Where a hand is unlike those known and no text is, the two networks must agree on this share of
what is located for the page to count as square script: on Latin print they agree up to 0.55, on
pages by scribes of the Middle Ages from 0.64 on."""

MIN_LETTERS_OF_KIND = _LIMITS.whole("min_letters_of_kind")
"""Fewer letters of a kind do not show how far they differ."""

MAX_STROKE_WIDTH_SHARE = _LIMITS.number("max_stroke_width_share")
"""Share of the hand's usual width of the letter read up to which a letter is a thin stroke: the
networks know no marks between words, and read a vav. On nine pages by scribes of the Middle Ages
strokes have 0.30 to 0.65, letters 0.70 and more, as have all but one of 1,500 drawn ones."""

STROKE_LETTERS = "וזין"
"""Letters as which a stroke is read."""

UNLIKE_HAND = (
    "This hand is unlike those on which the error rates were measured, which do not hold for this "
    "page. Its letters are compared with one another."
)

LIKE_TYPE = (
    "The letters of this page are as alike as those of type, and unlike the hands on which the "
    "error rates were measured, which do not hold for this page."
)


@dataclass(frozen=True)
class UsualSizes:
    """Sizes of the 27 letters in q, each (27,)."""

    width: Floats
    width_spread: Floats
    """Of the logarithm."""
    below: Floats
    """From the ruled line to the lowest ink."""
    below_spread: Floats


@dataclass(frozen=True)
class LetterExtent:
    """Sizes of N letters in q, as they stand upright; each (N,)."""

    width: Floats
    below: Floats


def describe_hand(
    hidden: npt.NDArray[np.float32] | None,
    letter: Ints,
    means: Floats | None,
    surprised: Floats,
    bounds: FamiliarityBounds,
) -> HandFamiliarity:
    """How the hand of N letters stands to the hands known.

    `hidden` (N, H) and the class `means` (27, H) of the training; where the networks do not give
    them, the surprise (N,) of the letters decides. `letter` (N,) is the class of each.
    """
    if hidden is None or means is None or len(letter) < MIN_LETTERS_FOR_HAND:
        known = not is_unfamiliar_hand(surprised, bounds)
        return HandFamiliarity(known, message="" if known else UNLIKE_HAND)
    distance = hand_distance(hidden, letter, means)
    unevenness = hand_unevenness(hidden, letter, means)
    alike = unevenness is not None and unevenness < MIN_UNEVENNESS
    alike &= distance >= MIN_DISTANCE_OF_TYPE
    known = distance <= MAX_HAND_DISTANCE and not alike
    message = "" if known else LIKE_TYPE if alike else UNLIKE_HAND
    return HandFamiliarity(
        known, round(distance, 3), None if unevenness is None else round(unevenness, 3), message
    )


def hand_distance(hidden: npt.NDArray[np.float32], letter: Ints, means: Floats) -> float:
    """Median of the distances to the usual form of each letter over those to the nearest other."""
    squared = (hidden.astype(np.float64) ** 2).sum(axis=1)[:, None] + (means**2).sum(axis=1)
    squared -= 2.0 * hidden.astype(np.float64) @ means.T
    distance = np.sqrt(np.maximum(squared, 0.0))
    rows = np.arange(len(letter))
    own = distance[rows, letter].copy()
    distance[rows, letter] = np.inf
    return float(np.median(own / np.maximum(distance.min(axis=1), 1e-9)))


def hand_unevenness(hidden: npt.NDArray[np.float32], letter: Ints, means: Floats) -> float | None:
    """Usual distance of a letter to the mean of its kind on the page, over the usual distance of a
    form to its nearest other; None with too few letters of every kind."""
    spread = []
    for kind in np.unique(letter):
        own = hidden[letter == kind].astype(np.float64)
        count = len(own)
        if count >= MIN_LETTERS_OF_KIND:
            squared = ((own - own.mean(axis=0)) ** 2).sum(axis=1)
            spread.append(float(np.median(squared)) * count / (count - 1))
    if not spread:
        return None
    squares = (means**2).sum(axis=1)
    between = squares[:, None] + squares[None, :] - 2.0 * means @ means.T
    np.fill_diagonal(between, np.inf)
    nearest = np.sqrt(np.maximum(between.min(axis=1), 1e-9))
    return float(np.sqrt(np.median(spread)) / np.median(nearest))


def is_unfamiliar_hand(surprised: Floats, bounds: FamiliarityBounds) -> bool:
    """Whether a page, by the surprise (N,) of its letters, is of a script or hand not known.

    Faults make single letters surprising, another hand makes all of them a little so: half must
    be more so than all but a twentieth of the letters known.
    """
    return len(surprised) >= MIN_LETTERS_FOR_HAND and float(np.median(surprised)) >= bounds.page


def unfamiliarity(surprised: Floats, odd: Floats, bounds: FamiliarityBounds) -> Floats:
    """(N,) at least 1 where a letter is unlike what is known, by its surprise or its shape."""
    return np.maximum(surprised / bounds.surprise, odd / bounds.shape)


def letter_surprise(found: Located, assessed: Assessed, odds: Floats) -> Floats:
    """(N,) surprise in nats; `odds` (N, 27) are the letters' probabilities by both networks."""
    share = odds / np.maximum(odds.sum(axis=1, keepdims=True), 1e-9)
    entropy = -(share * np.log(np.maximum(share, 1e-9))).sum(axis=1)
    agreed = (found.letters * assessed.letters[:, :27]).sum(axis=1)
    return np.asarray(entropy - np.log(np.maximum(agreed, 1e-6)), np.float64)


def shape_deviation(size: LetterExtent, letter: Ints) -> Floats:
    """(N,) largest deviation from the usual of the letter read, in spreads."""
    known = load_usual_sizes()
    narrow = -(np.log(np.maximum(size.width, 1e-3)) - np.log(known.width)[letter])
    deep = np.abs(size.below - known.below[letter]) / known.below_spread[letter]
    return np.maximum(narrow / known.width_spread[letter], deep)


def measure_extent(found: Located) -> LetterExtent:
    """Width, and depth below the ruled line, in the frame of each letter."""
    q, quarter = found.q, found.quarter_turns
    x, y = found.centre.T
    x0, y0, x1, y1 = found.box.T
    lying = quarter % 2 == 1
    below = np.choose(quarter, [y1 - y, x - x0, y - y0, x1 - x])
    return LetterExtent(np.where(lying, y1 - y0, x1 - x0) / q, below / q)


def stretch_probability(ratio: Floats, curve: StretchCurve) -> Floats:
    """(N,) probability of the defect `overstretched`."""
    z = curve.bias + curve.slope * np.log(np.maximum(ratio, 1e-6))
    return 1.0 / (1.0 + np.exp(-np.clip(z, -40.0, 40.0)))


def stretch_ratios(width: Floats, letter: Ints) -> Floats:
    """(N,) width of each letter over what is usual for it in this hand.

    `width` in q, `letter` the class of each. A hand that writes wide writes all letters wide, so
    the rendered widths are first brought to this hand's; then its own examples count.
    """
    if not len(width):
        return np.zeros(0)
    own = np.log(np.maximum(width, 1e-3))
    rendered = np.log(load_usual_sizes().width)[letter]
    expected = rendered + float(np.median(own - rendered))
    for k in np.unique(letter):
        here = letter == k
        others = int(here.sum()) - 1
        middle = float(np.median(own[here]))
        expected[here] = (OWN_HAND_WEIGHT * expected[here] + others * middle) / (
            OWN_HAND_WEIGHT + others
        )
    return np.exp(own - expected)


def stroke_shares(found: Located, letter: Ints) -> Floats:
    """(N,) width of each letter as a share of the hand's usual one, infinite for letters as which
    no stroke is read; `letter` (N,) is the class of each as read."""
    share = stretch_ratios(measure_extent(found).width, letter)
    return np.where(np.isin(letter, [index_of(char) for char in STROKE_LETTERS]), share, np.inf)


def is_thin(share: Floats) -> Bools:
    """(N,) which letters are thin strokes, by their `stroke_shares`."""
    return np.asarray(share <= MAX_STROKE_WIDTH_SHARE)


@cache
def load_usual_sizes() -> UsualSizes:
    """The sizes in `usual.yaml`."""
    text = (resources.files("crownlet.infer.quality") / "usual.yaml").read_bytes()
    rows = yaml.load(text, Loader=getattr(yaml, "CSafeLoader", yaml.SafeLoader))["letters"]
    table = [[*rows[letter.slug]["width"], *rows[letter.slug]["below"]] for letter in ALPHABET]
    return UsualSizes(*np.array(table, np.float64).T)

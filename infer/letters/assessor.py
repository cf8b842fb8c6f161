"""Every located letter cut out and assessed, in small batches, one batch per core at a time.

A core with a batch of its own waits for no other, and while one cuts letters out the next computes.
The answer for a letter does not depend on its batch. What is no letter by both networks, and stands
beside the writing, is told apart by `is_writing`.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np
import numpy.typing as npt

from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.infer.image import crops
from crownlet.infer.layout.lines import letter_bands
from crownlet.infer.limits import limits_of
from crownlet.infer.networks import Networks
from crownlet.infer.records import Assessed, Bools, Floats, Located

_LIMITS = limits_of("letters.assessor")

CROPS_PER_BATCH = 16
"""Larger batches are no quicker (train/bench/figures.md) and take more memory."""

PARTS, MASK_ROWS, MASK_COLUMNS = 6, 32, 24
"""Shape of a letter's part masks."""

NEIGHBOURS = _LIMITS.whole("neighbours")
"""Letters around a place, itself counted, whose belief is averaged."""

REACH_BODIES = _LIMITS.number("reach_bodies")
"""Letters farther off than this many bodies do not count."""

ACROSS_WEIGHT = _LIMITS.number("across_weight")
"""Weight of distance across the lines: neighbours in the line count first."""

USUAL_QUANTILE = _LIMITS.number("usual_quantile")
"""Quantile of the places by mean belief around them that stands for the writing of the page."""

MIN_USUAL_BELIEF = _LIMITS.number("min_usual_belief")
"""Where it is less there may be no writing at all, and nothing is left out: 0.5 and more on pages
of writing, however dark or blurred, 0.2 on mottled skin."""

WRITING_SHARE = _LIMITS.number("writing_share")
"""Share of that belief from which there is writing."""

MIN_SHARE_AROUND = _LIMITS.number("min_share_around")
"""Share of it below which a place outside of the writing is left out. On photographs of parchment
on tables of wood and cloth more than eight tenths of what is found beside the parchment lie below
it, and of what is found on the parchment a hundredth, most of it no letters either."""

MIN_OWN_BELIEF = _LIMITS.number("min_own_belief")
"""A letter that is believed more is kept, whatever surrounds it."""

OWN_SIZE_LOG_RATIO = _LIMITS.number("own_size_log_ratio")
"""A place whose height differs by more (logarithm) from the writing's is of another size .."""

MIN_BELIEF_OF_SIZE = _LIMITS.number("min_belief_of_size")
""".. and kept outside of it only if it is believed as much, or stands in other writing."""

HULL_MARGIN_BODIES = _LIMITS.number("hull_margin_bodies")
"""The hull goes through the middles of letters; what lies within this of it is among them."""

MIN_LETTERS_OF_WRITING = _LIMITS.whole("min_letters_of_writing")
"""Fewer letters do not show where the writing is."""

AssessorAnswers = tuple[npt.NDArray[np.generic], ...]
"""Letters, defects, tags, part masks, which letters have some, and coarse ink, of one batch; the
hidden numbers if there are any."""

MaskChoice = Callable[[Floats, Floats, Floats], Bools]
"""Which letters (N,) get part masks, by their `letters`, `defects` and `tags` as in `Assessed`."""


def assess(
    networks: Networks, fitted: crops.FittedPage, found: Located, choose: MaskChoice | None = None
) -> Assessed:
    """Class, defects and tags of each letter, of which there is one at least.

    `found` is in px of the page as it was before it was fitted. Letters of the choice get part
    masks; without one none does.
    """
    placed = found.scaled(fitted.scale)
    # Of all letters at once, which takes as long as of one batch.
    matrices = crops.crop_matrices(placed.body, placed.box)
    places = crops.boxes_in_crops(placed.box, matrices)

    def answers(start: int) -> AssessorAnswers:
        rows = slice(start, start + CROPS_PER_BATCH)
        cut = crops.cut_by_matrices(fitted.page, matrices[rows], places[rows])
        return _assess_batch(networks, cut, choose)

    starts = range(0, len(found), CROPS_PER_BATCH)
    lanes = min(networks.lanes, len(starts))
    if lanes == 1:
        batches = [answers(start) for start in starts]
    else:
        with ThreadPoolExecutor(lanes, "assess") as pool:
            batches = list(pool.map(answers, starts))
    letters, defects, tags, masks, masked, ink, *hidden = (
        np.concatenate(part) for part in zip(*batches, strict=True)
    )
    return Assessed(
        letters.astype(np.float64), defects.astype(np.float64), tags.astype(np.float64), masks,
        masked, hidden[0].astype(np.float32) if hidden else None, ink,
    )  # fmt: skip


def letter_probabilities(found: Located, assessed: Assessed, weight: float) -> Floats:
    """(N, 27) probability of each letter: the assessor's, with the locator's as a second opinion.

    `weight` is the exponent of the locator's. Rows sum to 1 less the share of "no letter".
    """
    ours = np.maximum(assessed.letters[:, :27], 1e-12)
    both = ours * np.maximum(found.letters, 1e-4) ** weight
    share = (1.0 - assessed.letters[:, 27:]) / both.sum(axis=1, keepdims=True)
    return np.asarray(both * np.clip(share, 0.0, None))


def likeliest_letters(odds: Floats) -> str:
    """The likeliest letter of each row of `odds` (N, 27), as one text of N letters."""
    return "".join(LETTERS[k] for k in odds.argmax(axis=1)) if len(odds) else ""


def letter_agreement(found: Located, assessed: Assessed) -> Floats:
    """(N,) probability that both networks mean the same letter; "no letter" is no agreement."""
    result: Floats = (found.letters * assessed.letters[:, :27]).sum(axis=1)
    return result


def is_writing(found: Located, assessed: Assessed) -> Bools:
    """(N,) whether each place of an upright page belongs to its writing.

    The grain of a table, a ruler or print on a box look like letters, too. A letter is believed by
    how surely it was located and by how far both networks mean the same letter. Where letters
    around a place are believed, there is writing; a place outside of the hull of all such places is
    left out if neither it nor what surrounds it is believed. Faded or spoiled letters amid the
    writing stay whatever they look like.
    """
    belief = found.score * letter_agreement(found, assessed)
    around = _belief_around(found, belief)
    usual = float(np.quantile(around, USUAL_QUANTILE))
    if usual < MIN_USUAL_BELIEF:
        return np.ones(len(found), np.bool_)
    sure = around >= WRITING_SHARE * usual
    doubtful = (around < MIN_SHARE_AROUND * usual) & (belief < MIN_OWN_BELIEF)
    if sure.any():
        size = np.log(found.height / np.median(found.height[sure]))
        doubtful |= (np.abs(size) > OWN_SIZE_LOG_RATIO) & ~sure & (belief < MIN_BELIEF_OF_SIZE)
    if np.count_nonzero(sure) < MIN_LETTERS_OF_WRITING or not doubtful.any():
        return np.ones(len(found), np.bool_)
    hull = cv2.convexHull(found.anchors[sure].astype(np.float32))
    margin = HULL_MARGIN_BODIES * float(np.median(found.height[sure]))
    kept = ~doubtful
    for i in np.flatnonzero(doubtful):
        x, y = found.anchors[i].tolist()
        kept[i] = cv2.pointPolygonTest(hull, (x, y), True) > -margin
    return np.asarray(kept, np.bool_)


def _belief_around(found: Located, belief: Floats) -> Floats:
    """(N,) mean belief of the nearest letters, each itself included."""
    x, y = found.anchors.T
    reach = REACH_BODIES * float(np.median(found.height))
    around = np.zeros(len(found))
    for rows, near in letter_bands(y, reach / ACROSS_WEIGHT):
        away = np.hypot(x[near] - x[rows, None], ACROSS_WEIGHT * (y[near] - y[rows, None]))
        count = min(NEIGHBOURS, len(near))
        nearest = np.argsort(away, axis=1, kind="stable")[:, :count]
        counted = np.take_along_axis(away, nearest, axis=1) <= reach
        around[rows] = (belief[near[nearest]] * counted).sum(axis=1) / counted.sum(axis=1)
    return around


def _assess_batch(
    networks: Networks, cut: npt.NDArray[np.uint8], choose: MaskChoice | None
) -> AssessorAnswers:
    """Answers for crops (N, 2, 128, 96), the masks as bytes."""
    count = len(cut)
    seen = networks.assess(cut)
    masks = np.zeros((count, PARTS, MASK_ROWS, MASK_COLUMNS), np.uint8)
    masked = np.zeros(count, np.bool_)
    if choose is not None:
        answers = (seen.letters, seen.defects, seen.tags)
        masked = choose(*(each.astype(np.float64) for each in answers))
        drawn = networks.part_masks(seen, np.flatnonzero(masked))
        masks[masked] = np.clip(drawn * 255 + 0.5, 0, 255).astype(np.uint8)
    hidden = () if seen.hidden is None else (seen.hidden,)
    ink = crops.coarse_ink(cut)
    return seen.letters, seen.defects, seen.tags, masks, masked, ink, *hidden

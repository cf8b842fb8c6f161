"""Every located letter cut out and assessed, in small batches, one batch per core at a time.

A core with a batch of its own waits for no other, and while one cuts letters out the next computes.
The answer for a letter does not depend on its batch.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import numpy.typing as npt

from crownlet.datasets.scribal.alphabet import LETTERS
from crownlet.infer.image import crops
from crownlet.infer.networks import Networks
from crownlet.infer.records import Assessed, Bools, Floats, Located

CROPS_PER_BATCH = 16
"""Larger batches are no quicker (train/bench/figures.md) and take more memory."""

PARTS, MASK_ROWS, MASK_COLUMNS = 6, 32, 24
"""Shape of a letter's part masks."""

AssessorAnswers = tuple[npt.NDArray[np.generic], ...]
"""Letters, defects, tags, part masks, and which letters have some, of one batch; the hidden numbers
if there are any."""

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

    def answers(start: int) -> AssessorAnswers:
        return _assess_batch(networks, fitted.page, placed, start, choose)

    starts = range(0, len(found), CROPS_PER_BATCH)
    lanes = min(networks.lanes, len(starts))
    if lanes == 1:
        batches = [answers(start) for start in starts]
    else:
        with ThreadPoolExecutor(lanes, "assess") as pool:
            batches = list(pool.map(answers, starts))
    letters, defects, tags, masks, masked, *hidden = (
        np.concatenate(part) for part in zip(*batches, strict=True)
    )
    return Assessed(
        letters.astype(np.float64), defects.astype(np.float64), tags.astype(np.float64), masks,
        masked, hidden[0].astype(np.float32) if hidden else None,
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


def network_agreement(found: Located, assessed: Assessed) -> float:
    """Mean probability that both networks mean the same letter; "no letter" is no agreement."""
    return float((found.letters * assessed.letters[:, :27]).sum(axis=1).mean())


def _assess_batch(
    networks: Networks,
    page: npt.NDArray[np.uint8],
    placed: Located,
    start: int,
    choose: MaskChoice | None,
) -> AssessorAnswers:
    """Answers for the letters from `start` on, the masks as bytes."""
    count = min(CROPS_PER_BATCH, len(placed) - start)
    buffer = np.empty((count, 2, crops.CROP_HEIGHT_PX, crops.CROP_WIDTH_PX), np.uint8)
    for k in range(count):
        body, box = placed.body[start + k], placed.box[start + k]
        crops.crop_letter(page, tuple(body), tuple(box), out=buffer[k])
    seen = networks.assess(buffer)
    masks = np.zeros((count, PARTS, MASK_ROWS, MASK_COLUMNS), np.uint8)
    masked = np.zeros(count, np.bool_)
    if choose is not None:
        answers = (seen.letters, seen.defects, seen.tags)
        masked = choose(*(each.astype(np.float64) for each in answers))
        drawn = networks.part_masks(seen, np.flatnonzero(masked))
        masks[masked] = np.clip(drawn * 255 + 0.5, 0, 255).astype(np.uint8)
    hidden = () if seen.hidden is None else (seen.hidden,)
    return seen.letters, seen.defects, seen.tags, masks, masked, *hidden

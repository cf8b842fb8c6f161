"""Everything learned: from the pixels of a page to the letters that both networks see on it."""

from __future__ import annotations

import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from crownlet.infer import crops, sizing
from crownlet.infer.assess import assess
from crownlet.infer.flatten import flatten, to_gray
from crownlet.infer.locate import locate
from crownlet.infer.quality.measures import Measures, measure
from crownlet.infer.reading import PageError, PageImage
from crownlet.infer.records import Assessed, Located
from crownlet.infer.sessions import Networks
from crownlet.infer.steady import steadied
from crownlet.infer.thresholds import Thresholds
from crownlet.infer.turning import turn_upright

SMALLEST_SEEN = 16.0
"""Measured body height under which a page is refused; 17 px is the promise, this its tolerance."""
LEAST_INK = 2e-4
"""A page with a smaller share of ink is blank."""
LEAST_RANGE = 24
"""A picture whose grey levels span less than this is one flat tone."""
AGREED = 0.2
"""The whole page is located anew when its letters differ from the estimate by more than this."""
NOTHING = "no letters of the square script were found on it."


@dataclass(frozen=True)
class Seen:
    """What both networks saw on an upright page `flat` (H, W), turned back by `turn` degrees."""

    flat: npt.NDArray[np.uint8]
    fitted: crops.Fitted
    """`flat` at the size at which letters are looked at."""
    found: Located
    assessed: Assessed
    turn: int
    measures: Measures
    """Quality of the picture around the letters, row for row with `found`."""
    agreement: float
    """How far the two networks agree on what was located, 0 to 1."""


class Stopwatch:
    """Seconds spent in each stage."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Count the time of the block under `name`."""
        start = time.perf_counter()
        try:
            yield
        finally:
            self.seconds[name] = self.seconds.get(name, 0.0) + time.perf_counter() - start


def see(
    label: str, image: PageImage, networks: Networks, limits: Thresholds, watch: Stopwatch
) -> Seen:
    """Size, straighten, locate and assess; PageError, naming `label`, when there is nothing."""
    with watch.stage("size"):
        gray = to_gray(image.pixels)
        flat, size = _sized(label, gray, networks, limits)
    with watch.stage("locate"):
        found = steadied(_located(networks, flat, size.body, limits.centre_p))
    if not len(found):
        raise PageError(label, NOTHING)
    with watch.stage("assess"), ThreadPoolExecutor(1, "quality") as beside:
        # No network is asked for it; where the assessor strikes letters out it is measured anew.
        quality = beside.submit(measure, gray, flat, found, size.turn)
        fitted = crops.fitted(flat, found)
        assessed = assess(networks, fitted, found)
        agreement = agreed(found, assessed)
        kept = assessed.letters[:, 27] < limits.no_letter_p
        if not kept.any() or agreement < limits.least_agreement:
            raise PageError(label, NOTHING)
        if not kept.all():
            found, assessed = found.take(kept), assessed.take(kept)
            fitted = crops.fitted(flat, found)
    with watch.stage("quality"):
        measures = quality.result() if kept.all() else measure(gray, flat, found, size.turn)
    return Seen(flat, fitted, found, assessed, size.turn, measures, agreement)


def agreed(found: Located, assessed: Assessed) -> float:
    """Mean probability that both networks mean the same letter; "no letter" is no agreement."""
    return float((found.letters * assessed.letters[:, :27]).sum(axis=1).mean())


def _sized(
    label: str, gray: npt.NDArray[np.uint8], networks: Networks, limits: Thresholds
) -> tuple[npt.NDArray[np.uint8], sizing.Size]:
    """The flattened page, upright, and the size of its letters."""
    low, high = np.percentile(gray[::4, ::4], (0.1, 99.9))
    flat = flatten(gray)
    if high - low < LEAST_RANGE or sizing.ink_share(flat) < LEAST_INK:
        raise PageError(label, "the page is blank: there is no writing on it.")
    size = sizing.estimate(networks, flat, limits.centre_p)
    small = size.body < SMALLEST_SEEN
    if not size.letters or (small and size.sure < sizing.SURE):
        raise PageError(label, NOTHING)
    if small:
        raise PageError(
            label,
            f"letters too small ({size.body:.0f} px; at least {sizing.SMALLEST_BODY} px needed).",
        )
    del flat  # Before the next one is made: a page may have hundreds of megabytes.
    return turn_upright(flatten(gray, size.body), size.turn), size


def _located(
    networks: Networks, flat: npt.NDArray[np.uint8], body: float, threshold: float
) -> Located:
    found = locate(networks, flat, body, threshold)
    if len(found) < sizing.ENOUGH:
        return found
    height = float(np.median(found.body[:, 2]))
    if abs(np.log(height / body)) > AGREED:
        return locate(networks, flat, height, threshold)
    return found

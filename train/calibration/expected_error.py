"""Which share of letters to expect misread, by how surely a page is read: measured for drift.

Rendered pages by hands of the calibration split, from such as the networks know to such as they do
not: hands with forms of their own, hands led beyond all that training draws, small, blurred and
noisy pictures, and both at once. What is read of each is compared with what is written.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from sklearn.isotonic import IsotonicRegression

from crownlet.datasets.coco.truth import PageTruth
from crownlet.datasets.files.images import PageError
from crownlet.datasets.render.letterforms.draw_hand import draw_hand
from crownlet.datasets.render.letterforms.hand import Hand
from crownlet.datasets.render.page.compose import compose
from crownlet.datasets.render.page.spec import Augment, PageSpec, training
from crownlet.infer.drift.errors import COVERED_SHARE, ErrorCurve, describe_reading
from crownlet.infer.inspector import Inspector
from crownlet.train.evaluation.matching import count_letter_errors
from crownlet.train.evaluation.workers import PageReader

Floats = npt.NDArray[np.float64]

ERRORS_FIRST_SEED = 715_000_000

FEW_FAULTS = {"defect_rate": 0.03, "habit_rate": 0.05, "gap_rate": 0.005, "morph_rate": 0.005}

LEAST_LETTERS = 20
"""Letters of a page without which its share of errors says nothing."""

PAGES_OF_POINT = 18
"""Pages of like doubt that a point of the curve is measured on, at least."""


@dataclass(frozen=True)
class ReadPages:
    """N pages: mean doubt, letters written, of these misread, and whether the page is well taken
    and by a known hand (1 or 0); each (N,)."""

    doubt: Floats
    letters: Floats
    misread: Floats
    usual: Floats


def hard_page(number: int) -> PageTruth:
    """The page with this number: every other one by a hand far from those known, and two of three
    small and badly taken."""
    seed = ERRORS_FIRST_SEED + number
    rng = np.random.default_rng([seed, 5])
    spec = training(split="calibrate", own_forms=(0.6, 1.0)[number % 2], **FEW_FAULTS)
    if number % 3:
        spec = take_badly(spec, rng)
    return compose(spec, seed, _far_hand(rng) if number % 2 else None)


def _is_usual(number: int) -> bool:
    return number % 6 == 0


def take_badly(spec: PageSpec, rng: np.random.Generator) -> PageSpec:
    """The page small, and blurred, noisy and lit up to three times worse than training has it."""
    body = float(np.exp(rng.uniform(np.log(9.5), np.log(26.0))))
    worse = float(rng.uniform(1.0, 3.0))
    some = min(worse, 1.5)
    return replace(
        spec, body=(body, body), augment=Augment(blur=worse, noise=worse, light=some, ink=some)
    )


def _far_hand(rng: np.random.Generator) -> Hand:
    """A hand slanted, narrowed, tilted and bent beyond what training draws."""
    slant, width, tilt, bow = rng.uniform(-1, 1, 4).tolist()
    return replace(
        draw_hand(int(rng.integers(1 << 31)), "calibrate", 1.0),
        slant=16.0 * slant, width=float(np.exp(0.5 * width)), head_tilt=28.0 * tilt, bow=0.4 * bow,
        jitter=float(rng.uniform(0.3, 2.0)), rough=float(rng.uniform(0.02, 0.1)),
        taper=float(rng.uniform(0.3, 1.3)),
    )  # fmt: skip


def read_hard_pages(reader: PageReader, count: int) -> ReadPages:
    """Read `count` pages without their texts; those refused are left out."""
    rows = [row for row in reader.each(_read_page, range(count)) if row is not None]
    return ReadPages(*np.array(rows, np.float64).T)


def _read_page(inspector: Inspector, number: int) -> tuple[float, int, int, int] | None:
    truth = hard_page(number)
    try:
        record = inspector.inspect(truth.image, None, str(number))
    except PageError:
        return None
    errors = count_letter_errors(truth.letters, record.glyphs)
    if errors.true < LEAST_LETTERS or not record.glyphs:
        return None
    doubt = describe_reading([record]).doubt
    return doubt, errors.true, errors.substituted.total(), int(_is_usual(number))


def fit_error_curve(pages: ReadPages, provenance: str) -> ErrorCurve:
    """The share of letters misread by doubt, which never falls, with the range of eight pages in
    ten; ValueError with too few pages."""
    points = len(pages.doubt) // PAGES_OF_POINT
    if points < 2:
        raise ValueError(f"{len(pages.doubt)} pages are too few for a curve of errors")
    order = np.argsort(pages.doubt, kind="stable")
    groups = np.array_split(order, points)
    beyond = (1.0 - COVERED_SHARE) / 2
    rates = [pages.misread[rows] / pages.letters[rows] for rows in groups]
    rates_of = [float(pages.misread[g].sum() / pages.letters[g].sum()) for g in groups]
    least, most = ([float(np.quantile(rate, at)) for rate in rates] for at in (beyond, 1 - beyond))
    doubt = [float(np.median(pages.doubt[rows])) for rows in groups]
    usual = (pages.misread * pages.usual).sum() / max((pages.letters * pages.usual).sum(), 1.0)
    weight = [float(pages.letters[rows].sum()) for rows in groups]
    share, low, high = (_never_falling(column, weight) for column in (rates_of, least, most))
    return ErrorCurve(np.array(doubt), share, low, high, float(usual), provenance)


def _never_falling(values: list[float], weight: list[float]) -> Floats:
    """The nearest values that do not fall (isotonic regression)."""
    order = np.arange(len(values))
    fitted = IsotonicRegression().fit_transform(order, values, sample_weight=weight)
    return np.asarray(fitted, np.float64)
